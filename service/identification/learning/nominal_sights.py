"""What one shaft whose part is known says of each printed nominal: how far from it, and the law of such distances.

Journals, base circles and lifts are held against what is printed. A lift is a height less a base circle of the same
tool, or was read as one, or comes from a bench's lift table. How far a shaft may lie from a nominal that is right, and
to which side, is the measuring model's to say: making, the hand, the tool's zero (or a zero check instead), the
one-sided errors of technique, wear, regrinding, slips. Valve lifts are left out: they hang on ratio and lash.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

from service.domain.catalogue import Core, LobeNominal, Part, Tolerance
from service.domain.readings import Condition, Feature, Instrument, LobeKind, Position, Reading, Submission
from service.identification.learning.nominal_shifts import Component, Law, Seen
from service.identification.measuring.model import EntryError, MeasuringModel, making_sd, spread_of_mean

ALLOWED_SHARE = 0.25
"""By how much of themselves the one-sided constants (wear, technique, tilt) may be out, for all shafts alike."""
_HOUSE_ZEROS = 2.0
"""The bench's tools are the same for every shaft: so many standard deviations of their zero do not average away."""


@dataclass(frozen=True)
class MeasuredLift:
    """A lift from a bench's lift table."""

    lobe: LobeKind
    lift_mm: float
    sd_mm: float


@dataclass(frozen=True)
class KnownShaft:
    """A shaft whose part is known: its case, what was read on it, and its kept lift tables' lifts."""

    case: str
    part_number: str
    submission: Submission
    lifts: tuple[MeasuredLift, ...] = ()


@dataclass(frozen=True)
class Target:
    """One printed nominal: a core's journal, or a base circle or lift of a grind on it (`part_number`)."""

    feature: Feature
    core: str
    part_number: str | None = None
    lobe: LobeKind | None = None
    position: Position | None = None


@dataclass(frozen=True)
class Sight:
    """One reading of a nominal."""

    nominal_mm: float
    seen: Seen
    instrument: Instrument


def sights_of(shaft: KnownShaft, part: Part, core: Core, model: MeasuringModel) -> Iterator[tuple[Target, Sight]]:
    """Every reading of a nominal on one shaft."""
    said = shaft.submission
    journals = {journal.position: journal for journal in core.journals}
    bases = [reading for reading in said.readings if reading.feature is Feature.BASE_CIRCLE]
    for reading in said.readings:
        if reading.feature is Feature.JOURNAL_DIAMETER and reading.position in journals:
            journal = journals[reading.position]
            target = Target(Feature.JOURNAL_DIAMETER, core.code, position=reading.position)
            yield target, _width(reading, said, journal.diameter_mm, journal.tolerance, model)
        lobe = None if reading.lobe is None else part.lobes.get(reading.lobe)
        if lobe is None:
            continue
        if reading.feature is Feature.BASE_CIRCLE:
            target = Target(Feature.BASE_CIRCLE, core.code, part.part_number, reading.lobe)
            yield target, _width(reading, said, lobe.base_circle_mm, lobe.base_circle_tolerance, model)
        target = Target(Feature.LOBE_LIFT, core.code, part.part_number, reading.lobe)
        if reading.feature is Feature.LOBE_LIFT:
            yield target, _lift_read(reading, said, lobe, model)
        elif reading.feature is Feature.LOBE_HEIGHT:
            for base in bases:
                same_tool = said.instrument_of(base) is said.instrument_of(reading)
                if (base.lobe, base.cylinder) == (reading.lobe, reading.cylinder) and same_tool:
                    yield target, _lift_between(reading, base, said, lobe, model)
    for measured in shaft.lifts:
        lobe = part.lobes.get(measured.lobe)
        if lobe is not None:
            law = _lift_law(lobe, model, ((0.0, measured.sd_mm, 1.0, ()),), _used(said), 0.0)
            sight = _sight(lobe.lift_mm, measured.lift_mm, law, Instrument.BENCH, model)
            yield Target(Feature.LOBE_LIFT, core.code, part.part_number, measured.lobe), sight


_Way = tuple[float, float, float, tuple[float, ...]]
"""One way a reading strays: (mean, sd, share, signed means of its exponentials)."""


def _used(said: Submission) -> bool:
    return said.condition is not Condition.NEW


def _slips(model: MeasuringModel, *names: str) -> float:
    return min(
        0.4, math.fsum(model.slip_priors.get(name, 0.0) for name in (*names, "decimal_slipped", "unit_mistaken"))
    )


def _errors(reading: Reading, said: Submission, model: MeasuringModel) -> list[tuple[float, EntryError]]:
    """(share, error) for each kind of hand."""
    return [(share, spread_of_mean(reading, said, model, level)) for level, share in model.hand_levels]


def _mm(reading: Reading, said: Submission) -> float:
    return float(reading.mean * said.unit.mm)


def _checked_zero(tool: Instrument, said: Submission, model: MeasuringModel) -> tuple[float, float] | None:
    """(a tool's zero, its sd) from its last zero check: the linear estimate, between what was read and none at all."""
    found = None
    for check in said.readings:
        if check.feature is Feature.ZERO_CHECK and said.instrument_of(check) is tool:
            read = _mm(check, said) - (0.0 if check.reference is None else float(check.reference * said.unit.mm))
            error = spread_of_mean(check, said, model)
            far = 1 + model.zero_bad_share * (model.zero_bad_factor**2 - 1)
            usual, own = error.zero_sd**2 * far, error.sd**2
            found = read * usual / (usual + own), math.sqrt(usual * own / (usual + own))
    return found


def _width(
    reading: Reading, said: Submission, nominal_mm: float, tolerance: Tolerance | None, model: MeasuringModel
) -> Sight:
    """A journal or a base circle."""
    is_journal = reading.feature is Feature.JOURNAL_DIAMETER
    shift, making = making_sd(tolerance, model.journal_making_sd if is_journal else model.base_making_sd, model)
    tool = said.instrument_of(reading)
    zero = _checked_zero(tool, said, model)
    ways: list[_Way] = []
    for share, error in _errors(reading, said, model):
        tail = (error.sign * error.technique_mean,) if error.technique_mean else ()
        zeros = [
            (error.zero_sd, 1 - model.zero_bad_share),
            (error.zero_sd * model.zero_bad_factor, model.zero_bad_share),
        ]
        for sd, of_zero in zeros if zero is None else [(zero[1], 1.0)]:
            ways.append((error.bias + shift, math.hypot(error.sd, making, sd), share * of_zero, tail))
    if is_journal:
        tails = (-model.journal_wear_mean,) if _used(said) else ()
        components = tuple(Component(share, mean, sd, (*tail, *tails)) for mean, sd, share, tail in ways)
        wild = _slips(model, "digits_swapped", "journal_misread")
    else:
        reground = model.regrind_prior if _used(said) else 0.0
        under, sd_under = model.regrind_undersize_mean, model.regrind_undersize_sd
        components = tuple(
            Component(share * part, mean - less, math.hypot(sd, more), tail)
            for mean, sd, share, tail in ways
            for part, less, more in ((1 - reground, 0.0, 0.0), (reground, under, sd_under))
            if part
        )
        wild = _slips(model, "digits_swapped", "height_base_swapped", "lobes_swapped")
    measured = _mm(reading, said) - (0.0 if zero is None else zero[0])
    return _sight(nominal_mm, measured, Law(components, wild), tool, model)


def _lift_read(reading: Reading, said: Submission, lobe: LobeNominal, model: MeasuringModel) -> Sight:
    ways = tuple(
        (error.bias, error.sd, share, (error.sign * error.technique_mean,) if error.technique_mean else ())
        for share, error in _errors(reading, said, model)
    )
    wild = _slips(model, "digits_swapped", "lobes_swapped", "valve_lift_as_lobe_lift")
    law = _lift_law(lobe, model, ways, _used(said), wild)
    return _sight(lobe.lift_mm, _mm(reading, said), law, said.instrument_of(reading), model)


def _lift_between(height: Reading, base: Reading, said: Submission, lobe: LobeNominal, model: MeasuringModel) -> Sight:
    """A height less a base circle of the same tool: its zero and the mean tilt cancel."""
    both = zip(_errors(height, said, model), _errors(base, said, model), strict=True)
    ways = tuple(
        (of.bias - less.bias, math.hypot(of.sd, less.sd), share, (-of.technique_mean, -less.technique_mean))
        for (share, of), (_, less) in both
    )
    wild = _slips(model, "digits_swapped", "digits_swapped", "height_base_swapped", "lobes_swapped")
    law = _lift_law(lobe, model, ways, _used(said), wild)
    return _sight(lobe.lift_mm, _mm(height, said) - _mm(base, said), law, said.instrument_of(height), model)


def _lift_law(lobe: LobeNominal, model: MeasuringModel, ways: tuple[_Way, ...], used: bool, wild: float) -> Law:
    shift, making = making_sd(lobe.lift_tolerance, model.lift_making_sd, model)
    wears = [(level * model.nose_wear_mean, share) for level, share in model.wear_levels] if used else [(0.0, 1.0)]
    return Law(
        tuple(
            Component(share * of_wear, mean + shift, math.hypot(sd, making), tuple(t for t in (*tails, -wear) if t))
            for mean, sd, share, tails in ways
            for wear, of_wear in wears
        ),
        wild,
    )


def _sight(nominal_mm: float, measured_mm: float, law: Law, tool: Instrument, model: MeasuringModel) -> Sight:
    one_sided = math.fsum(one.share * math.fsum(abs(tail) for tail in one.tails) for one in law.components)
    allowance = ALLOWED_SHARE * (one_sided + model.tilt_mean)
    if tool is Instrument.BENCH:
        allowance += _HOUSE_ZEROS * model.tools[tool].zero_sd
    return Sight(nominal_mm, Seen(measured_mm - nominal_mm, _interned(law), allowance), tool)


@lru_cache(maxsize=4096)
def _interned(law: Law) -> Law:
    """One object for equal laws, so that each is tabulated once."""
    return law
