"""The engine's posterior against an independent numerical integration of the stated model, on random small cases."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np
import pytest

from service.domain.catalogue import Catalogue, Core, Journal, LobeNominal, Part, Tolerance
from service.domain.identification import Slip
from service.domain.readings import (
    Condition,
    Experience,
    Feature,
    Instrument,
    LobeKind,
    Position,
    Reading,
    Source,
    Submission,
    Written,
)
from service.domain.units import LengthUnit
from service.identification.catalogue_table.table import build_table
from service.identification.engine import identify
from service.identification.measuring.model import DEFAULT_MODEL, MeasuringModel
from tests.unit.identification.brute_force import rounding_variance
from tests.unit.identification.reference_posterior import SLIPS, reference_posterior

AGREES_TO = 1e-3
HARDLY_EVER = 1e-12
CALIPER, MICROMETER, INDICATOR = (
    Instrument.DIGITAL_CALIPER,
    Instrument.OUTSIDE_MICROMETER,
    Instrument.DIAL_INDICATOR,
)
Numbers = np.random.Generator


def only(*slips: Slip) -> MeasuringModel:
    """The model in which only `slips` are ever made."""
    priors = {slip.value: HARDLY_EVER for slip in Slip}
    priors.update({slip.value: DEFAULT_MODEL.slip_priors[slip.value] for slip in slips})
    return replace(DEFAULT_MODEL, slip_priors=priors)


def small_catalogue(rng: Numbers, parts: int, *, asymmetric: bool) -> Catalogue:
    """A few parts on two cores, near each other in journal, lift and base circle."""
    front = rng.uniform(18, 25)
    band = Tolerance(0.0127, 0.0) if asymmetric else None
    cores = tuple(
        Core(code, code, (Journal(Position.FRONT, front + off, band),), (f"family {code}",), teeth)
        for code, off, teeth in (("A", 0.0, 28), ("B", float(rng.choice([0.0, 0.06, 0.2])), 30))
    )
    lift, base = rng.uniform(6, 9), rng.uniform(20, 24)
    found = []
    for i in range(parts):
        lobes = {}
        for kind in LobeKind:
            lobes[kind] = LobeNominal(
                lift_mm=lift + float(rng.choice([0.0, 0.04, 0.08, 0.2])),
                base_circle_mm=base + float(rng.choice([0.0, 0.05, 0.3])),
                lift_tolerance=Tolerance(0.01, 0.04) if asymmetric else None,
                base_circle_tolerance=Tolerance(0.02, 0.06) if asymmetric else None,
            )
        found.append(Part(f"part-{i}", "A" if i % 2 == 0 else "B", lobes, units_sold=int(rng.integers(5, 400))))
    return Catalogue(cores, tuple(found))


@dataclass
class Caller:
    """Someone who reads a part of the catalogue about as the model says people do."""

    rng: Numbers
    catalogue: Catalogue
    unit: LengthUnit = LengthUnit.INCH

    def __post_init__(self) -> None:
        self.part = self.catalogue.parts[int(self.rng.integers(len(self.catalogue.parts)))]
        self.core = next(core for core in self.catalogue.cores if core.code == self.part.core)
        self.zero = {tool: self.rng.normal(0, DEFAULT_MODEL.tools[tool].zero_sd) for tool in Instrument}
        self.undersize = 0.0
        self.lift_off = 0.0

    def written(self, size: float, tool: Instrument, repeats: int = 1) -> tuple[Written, ...]:
        """`size` mm as read, with about the model's scatter, to four decimals of an inch or three of a millimetre."""
        errors = self.rng.normal(0, 1.3 * DEFAULT_MODEL.tools[tool].scatter, repeats)
        step = DEFAULT_MODEL.tools[tool].step(self.unit)
        marks = [round((size + e) / step) * step for e in errors]
        return tuple(Written.parse(f"{self.unit.from_mm(m):.{self.unit.decimals}f}") for m in marks)

    def journal(self, tool: Instrument = CALIPER, repeats: int = 1) -> Reading:
        size = self.core.journals[0].diameter_mm + self.zero[tool]
        return Reading(
            Feature.JOURNAL_DIAMETER, self.written(size, tool, repeats), instrument=tool, position=Position.FRONT
        )

    def width(
        self,
        feature: Feature,
        lobe: LobeKind,
        tool: Instrument = CALIPER,
        repeats: int = 1,
        cylinder: int | None = None,
    ) -> Reading:
        nominal = self.part.lobes[lobe]
        size = nominal.base_circle_mm - self.undersize + self.zero[tool]
        if feature is Feature.LOBE_HEIGHT:
            size += nominal.lift_mm + self.lift_off - self.rng.exponential(0.02)
        else:
            size += self.rng.exponential(0.01)
        return Reading(feature, self.written(size, tool, repeats), instrument=tool, lobe=lobe, cylinder=cylinder)

    def both_widths(self, lobe: LobeKind, **how: object) -> list[Reading]:
        return [self.width(f, lobe, **how) for f in (Feature.LOBE_HEIGHT, Feature.BASE_CIRCLE)]  # type: ignore[arg-type]

    def lift(self, lobe: LobeKind, *, at_valve: bool = False) -> Reading:
        size = self.part.lobes[lobe].lift_mm + self.lift_off
        if not at_valve:
            return Reading(Feature.LOBE_LIFT, self.written(size, INDICATOR), instrument=INDICATOR, lobe=lobe)
        values = self.written(1.3 * size * (1 + self.rng.normal(0, 0.01)) - 0.1, INDICATOR)
        lash = Decimal("0.0039") if self.unit is LengthUnit.INCH else Decimal("0.1")
        ratio = Decimal("1.3")
        return Reading(Feature.VALVE_LIFT, values, instrument=INDICATOR, lobe=lobe, rocker_ratio=ratio, lash=lash)

    def zero_check(self, tool: Instrument = CALIPER) -> Reading:
        values = self.written(self.zero[tool], tool)
        return Reading(Feature.ZERO_CHECK, values, instrument=tool, reference=Decimal(0))

    def tells(self, *readings: Reading, **more: object) -> Submission:
        told: dict[str, object] = {"experience": Experience.PRACTISED, "condition": Condition.USED}
        return Submission(Source.PHONE, self.unit, tuple(readings), **(told | more))  # type: ignore[arg-type]


INTAKE, EXHAUST = LobeKind.INTAKE, LobeKind.EXHAUST
Case = Callable[[Caller], tuple[Submission, MeasuringModel]]


def zero_shared_by_one_tool(c: Caller) -> tuple[Submission, MeasuringModel]:
    return c.tells(c.journal(), *c.both_widths(INTAKE)), only()


def both_lobes(c: Caller) -> tuple[Submission, MeasuringModel]:
    return c.tells(c.journal(), *c.both_widths(INTAKE), *c.both_widths(EXHAUST)), only()


def zero_split_over_two_tools(c: Caller) -> tuple[Submission, MeasuringModel]:
    return c.tells(c.journal(MICROMETER), *c.both_widths(INTAKE), c.zero_check()), only()


def two_tools_on_one_lobe(c: Caller) -> tuple[Submission, MeasuringModel]:
    base_again = c.width(Feature.BASE_CIRCLE, INTAKE, MICROMETER)
    return c.tells(c.journal(), *c.both_widths(INTAKE), base_again), only()


def repeats(c: Caller) -> tuple[Submission, MeasuringModel]:
    return c.tells(c.journal(repeats=3), *c.both_widths(INTAKE, repeats=2), experience=None), only()


def a_new_shaft(c: Caller) -> tuple[Submission, MeasuringModel]:
    return c.tells(c.journal(), *c.both_widths(EXHAUST), condition=Condition.NEW), only()


def heavy_wear(c: Caller) -> tuple[Submission, MeasuringModel]:
    c.lift_off = -0.06
    return c.tells(*c.both_widths(INTAKE), *c.both_widths(INTAKE, cylinder=2)), only()


def a_regrind(c: Caller) -> tuple[Submission, MeasuringModel]:
    c.undersize = float(c.rng.uniform(0.1, 0.6))
    return c.tells(c.journal(), *c.both_widths(INTAKE), *c.both_widths(EXHAUST)), only()


def a_near_stranger(c: Caller) -> tuple[Submission, MeasuringModel]:
    c.lift_off = float(c.rng.choice([-0.25, 0.12, 0.2]))
    return c.tells(c.journal(), *c.both_widths(INTAKE), *c.both_widths(EXHAUST)), only()


def height_alone(c: Caller) -> tuple[Submission, MeasuringModel]:
    return c.tells(c.journal(), c.width(Feature.LOBE_HEIGHT, INTAKE), c.width(Feature.BASE_CIRCLE, EXHAUST)), only()


def a_lift_by_indicator(c: Caller) -> tuple[Submission, MeasuringModel]:
    return c.tells(c.journal(), c.lift(INTAKE), *c.both_widths(INTAKE)), only()


def valve_lifts_sharing_a_ratio(c: Caller) -> tuple[Submission, MeasuringModel]:
    return c.tells(c.journal(), c.lift(INTAKE, at_valve=True), c.lift(EXHAUST, at_valve=True)), only()


def a_soft_claim_and_teeth(c: Caller) -> tuple[Submission, MeasuringModel]:
    claims = {
        "engine_family": str(c.rng.choice(["family A", "family B"])),
        "gear_teeth": int(c.rng.choice([28, 29, 30])),
    }
    return c.tells(c.journal(), c.width(Feature.LOBE_HEIGHT, INTAKE), **claims), only()


def height_and_base_swapped(c: Caller) -> tuple[Submission, MeasuringModel]:
    height, base = c.both_widths(INTAKE)
    swapped = replace(height, values=base.values), replace(base, values=height.values)
    return c.tells(c.journal(), *swapped), only(Slip.HEIGHT_BASE_SWAPPED)


def lobes_swapped(c: Caller) -> tuple[Submission, MeasuringModel]:
    widths = [replace(r, lobe=r.lobe and r.lobe.other) for r in c.both_widths(INTAKE)]
    return c.tells(c.journal(), *widths), only(Slip.LOBES_SWAPPED)


def millimetres_as_inches(c: Caller) -> tuple[Submission, MeasuringModel]:
    c.unit = LengthUnit.MILLIMETRE
    return replace(c.tells(c.journal(), *c.both_widths(INTAKE)), unit=LengthUnit.INCH), only(Slip.UNIT_MISTAKEN)


def a_decimal_slipped(c: Caller) -> tuple[Submission, MeasuringModel]:
    height, base = c.both_widths(INTAKE)
    values = tuple(Written(w.value * 10, (w.decimals or 1) - 1) for w in base.values)
    return c.tells(c.journal(), height, replace(base, values=values)), only(Slip.DECIMAL_SLIPPED)


def a_journal_on_its_groove(c: Caller) -> tuple[Submission, MeasuringModel]:
    groove = Decimal("0.0150") if c.unit is LengthUnit.INCH else Decimal("0.380")
    journal = c.journal()
    values = tuple(Written(w.value - groove, w.decimals) for w in journal.values)
    return c.tells(replace(journal, values=values), *c.both_widths(INTAKE)), only(Slip.JOURNAL_MISREAD)


CASES: tuple[Case, ...] = (
    zero_shared_by_one_tool,
    both_lobes,
    zero_split_over_two_tools,
    two_tools_on_one_lobe,
    repeats,
    a_new_shaft,
    heavy_wear,
    a_regrind,
    a_near_stranger,
    height_alone,
    a_lift_by_indicator,
    valve_lifts_sharing_a_ratio,
    a_soft_claim_and_teeth,
    height_and_base_swapped,
    lobes_swapped,
    millimetres_as_inches,
    a_decimal_slipped,
    a_journal_on_its_groove,
)


def greatest_difference(case: Case, seed: int) -> float:
    """Greatest difference of any stated probability from the reference's, on one random catalogue and caller."""
    rng = np.random.default_rng([seed, CASES.index(case)])
    catalogue = small_catalogue(rng, int(rng.integers(3, 6)), asymmetric=bool(rng.random() < 0.5))
    unit = LengthUnit.INCH if rng.random() < 0.7 else LengthUnit.MILLIMETRE
    submission, model = case(Caller(rng, catalogue, unit))
    want = reference_posterior(catalogue, submission, model)
    got = identify(build_table(catalogue, model), submission, model, explain=False)
    away = [abs(got.not_in_catalogue_probability - want.outside)]
    for candidate in got.candidates:
        away.append(abs(candidate.probability - want.part[candidate.part_number]))
        joint = candidate.probability * candidate.reground_probability
        away.append(abs(joint - want.reground[candidate.part_number]))
    listed = {candidate.part_number for candidate in got.candidates}
    unlisted = sum(probability for number, probability in want.part.items() if number not in listed)
    away.append(abs(got.left_off_probability - unlisted))
    for slip in SLIPS:
        found = sum(s.probability for s in got.suspected_slips if s.slip is slip)
        if found > 0 or want.slip.get(slip, 0.0) > 0.5:
            away.append(abs(found - want.slip.get(slip, 0.0)))
    return max(away)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.__name__)
def test_the_posterior_is_the_stated_models_by_brute_force(case: Case) -> None:
    assert greatest_difference(case, 1) < AGREES_TO
    assert greatest_difference(case, 5) < AGREES_TO


def test_a_stranger_is_followed_to_a_lift_that_only_a_rough_hand_can_have_read() -> None:
    # its two lobes read 0.17 mm apart, five times what a practised hand strays by, and are one grind for a rough one
    assert greatest_difference(a_near_stranger, 3) < AGREES_TO


@pytest.mark.long
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.__name__)
def test_the_posterior_is_the_stated_models_on_many_more_cases(case: Case) -> None:
    for seed in (*range(2, 5), *range(6, 18)):
        assert greatest_difference(case, seed) < AGREES_TO, seed


def test_the_reference_finds_the_variance_of_rounding_by_itself() -> None:
    """JCGM 100, F.2.2.1: step^2/12 for one rounding; nothing averages out without scatter, all of it with much."""
    step = 0.0127
    assert rounding_variance(step, 0.01, 1) == pytest.approx(step**2 / 12)
    assert rounding_variance(step, 1e-4, 4) == pytest.approx(step**2 / 12, rel=0.05)
    assert rounding_variance(step, step, 4) == pytest.approx(step**2 / 48, rel=1e-4)
