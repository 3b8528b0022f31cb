"""Callers: which readings they take of a shaft, how they come out, and what they get wrong in telling us.

`draw_caller` gives a `Submission` as the service would receive it, and the truth behind it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from decimal import Decimal

import numpy as np
from scipy.optimize import brentq

from service.domain.identification import Slip
from service.domain.readings import (
    At,
    Degrees,
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
from tests.benchmarks.shafts import Shaft, Supply, draw_shaft
from tests.benchmarks.worlds import World
from tests.benchmarks.writing import mishear_digit, slip_decimal, swap_digits, write_angles, write_lengths

VISIBLE_MM = 0.15
"""A slip that moves no reading by this much (0.006 in) cannot be told from the hand's own scatter."""
VISIBLE_CRANK_DEG = 8.0


@dataclass(frozen=True)
class Mistake:
    """A slip that was really made. `visible` where it moved a reading far enough to be seen at all."""

    slip: Slip
    visible: bool


@dataclass(frozen=True)
class Caller:
    """One call: what was said, and what was so."""

    submission: Submission
    shaft: Shaft
    mistakes: tuple[Mistake, ...]
    misheard: bool


@dataclass
class Bench:
    """One caller at work: tools with their zeros, hand, unit, and the entries so far."""

    shaft: Shaft
    world: World
    rng: np.random.Generator
    unit: LengthUnit
    main: Instrument
    skill: float
    as_number: bool
    most_decimals: int | None
    repeats: bool
    names_tool: bool
    zeros: dict[Instrument, float] = field(default_factory=dict)
    readings: list[Reading] = field(default_factory=list)
    mistakes: list[Mistake] = field(default_factory=list)

    def chance(self, probability: float) -> bool:
        return bool(self.rng.random() < probability)

    def slips(self, slip: Slip) -> bool:
        return self.chance(self.world.slip_rates[slip])

    def note(self, slip: Slip, visible: bool) -> None:
        self.mistakes.append(Mistake(slip, visible))

    def zero(self, tool: Instrument) -> float:
        if tool not in self.zeros:
            size = self.world.tools[tool].zero
            if self.chance(self.world.dirty_zero_share):
                size *= self.world.dirty_zero_factor
            self.zeros[tool] = self.rng.normal(0, size)
        return self.zeros[tool]

    def gamma(self, mean: float, shape: float) -> float:
        return float(self.rng.gamma(shape, mean / shape)) if mean > 0 else 0.0

    def count(self) -> int:
        return int(self.rng.choice([2, 3, 4], p=[0.5, 0.4, 0.1])) if self.repeats and self.chance(0.8) else 1

    def write(self, sizes: list[float], tool: Instrument) -> tuple[Written, ...]:
        kind = self.world.tools[tool]
        step = kind.inch_step if self.unit is LengthUnit.INCH else kind.metric_step
        return write_lengths(sizes, step, self.unit, most=self.most_decimals, as_number=self.as_number)

    def add(self, feature: Feature, values: tuple[Written, ...], tool: Instrument | None, **qualifiers: object) -> None:
        named = tool if tool is not None and (self.names_tool or tool is not self.main) else None
        self.readings.append(Reading(feature, values, instrument=named, **qualifiers))  # type: ignore[arg-type]

    def width(self, truth: float, tool: Instrument, technique: float = 0.0, extra: float = 0.0) -> tuple[Written, ...]:
        """Repeats of a width of `truth` mm; `technique` is the signed mean of the one-sided error."""
        kind, world = self.world.tools[tool], self.world
        one_sided = np.sign(technique) * self.gamma(abs(technique) * self.skill, world.technique_shape)
        centre = truth + self.zero(tool) + self.gamma(world.tilt, world.tilt_shape) + one_sided
        scatter = np.hypot(kind.hand, extra) * self.skill
        return self.write([centre + self.rng.normal(0, scatter) for _ in range(self.count())], tool)

    # -- what can be read ---------------------------------------------------------------------------------------

    def journal(self, position: Position, tool: Instrument) -> None:
        truth = self.shaft.journals[position]
        if self.slips(Slip.JOURNAL_MISREAD):
            truth -= self.world.groove_least + self.gamma(self.world.groove_more, 1.5)
            self.note(Slip.JOURNAL_MISREAD, True)
        self.add(Feature.JOURNAL_DIAMETER, self.width(truth, tool), tool, position=position)

    def lobe_widths(self, kind: LobeKind, cylinder: int | None, tool: Instrument, *, base: bool = True) -> None:
        key = (kind, cylinder or 1)
        tool_here = self.world.tools[tool]
        height = self.width(self.shaft.base[key] + self.shaft.lift[key], tool, -tool_here.nose_missed)
        round_part = self.width(self.shaft.base[key], tool, tool_here.flank_touched)
        if base and self.slips(Slip.HEIGHT_BASE_SWAPPED):
            height, round_part = round_part, height
            self.note(Slip.HEIGHT_BASE_SWAPPED, True)
        self.add(Feature.LOBE_HEIGHT, height, tool, lobe=kind, cylinder=cylinder)
        if base:
            self.add(Feature.BASE_CIRCLE, round_part, tool, lobe=kind, cylinder=cylinder)

    def height(self, kind: LobeKind, tool: Instrument) -> None:
        truth = self.shaft.base[kind, 1] + self.shaft.lift[kind, 1]
        self.add(Feature.LOBE_HEIGHT, self.width(truth, tool, -self.world.tools[tool].nose_missed), tool, lobe=kind)

    def base_circle(self, kind: LobeKind, tool: Instrument) -> None:
        values = self.width(self.shaft.base[kind, 1], tool, self.world.tools[tool].flank_touched)
        self.add(Feature.BASE_CIRCLE, values, tool, lobe=kind)

    def flank_width(self, kind: LobeKind, tool: Instrument) -> None:
        """The mean of two widths a right angle apart about the nose: base circle and the lift 45 degrees off it."""
        crank_deg, lift = 180.0, self.shaft.lift[kind, 1]
        if self.shaft.duration(kind, 0.0) <= crank_deg:
            at_flank = 0.0
        else:
            at_flank = float(brentq(lambda s: self.shaft.duration(kind, s) - crank_deg, 0.0, lift))
        off_square = self.rng.normal(0, self.world.square_off) * self.world.width_per_included_degree
        values = self.width(
            self.shaft.base[kind, 1] + at_flank + off_square,
            tool,
            -self.world.rolled,
            extra=self.world.tools[tool].hand,
        )
        self.add(Feature.FLANK_WIDTH, values, tool, lobe=kind, included_angle_deg=Decimal(90))

    def lobe_lift(self, kind: LobeKind, tool: Instrument) -> None:
        lift = self.shaft.lift[kind, 1]
        if self.slips(Slip.VALVE_LIFT_AS_LOBE_LIFT):
            at_valve = lift * self.shaft.rocker_ratio[kind] - self.shaft.lash[kind]
            self.note(Slip.VALVE_LIFT_AS_LOBE_LIFT, abs(at_valve - lift) >= VISIBLE_MM)
            lift, tool = at_valve, Instrument.DIAL_INDICATOR
        kind_of_tool = self.world.tools[tool]
        if tool is Instrument.DIAL_INDICATOR:
            scatter = np.hypot(kind_of_tool.hand, self.world.indicator_askew) * self.skill
            sizes = [lift + self.rng.normal(0, scatter) for _ in range(self.count())]
        else:
            missed = self.gamma(kind_of_tool.nose_missed * self.skill, self.world.technique_shape)
            missed += self.gamma(kind_of_tool.flank_touched * self.skill, self.world.technique_shape)
            scatter = kind_of_tool.hand * np.sqrt(2) * self.skill
            sizes = [lift - missed + self.rng.normal(0, scatter) for _ in range(self.count())]
        self.add(Feature.LOBE_LIFT, self.write(sizes, tool), tool, lobe=kind)

    def valve_lift(self, kind: LobeKind) -> None:
        tool = Instrument.DIAL_INDICATOR
        stated = self.shaft.rocker_ratio[kind]
        true_ratio = stated * (1 + self.rng.normal(0, self.world.ratio_spread))
        at_valve = self.shaft.lift[kind, 1] * true_ratio - self.shaft.lash[kind]
        scatter = np.hypot(self.world.tools[tool].hand, self.world.indicator_askew) * self.skill
        values = self.write([at_valve + self.rng.normal(0, scatter) for _ in range(self.count())], tool)
        lash = Decimal(f"{self.unit.from_mm(self.shaft.lash[kind]):.{self.unit.decimals}f}")
        ratio = Decimal(f"{stated:.2f}")
        self.add(Feature.VALVE_LIFT, values, tool, lobe=kind, rocker_ratio=ratio, lash=lash)

    def duration(self, kind: LobeKind) -> None:
        tool = Instrument.DEGREE_WHEEL if self.chance(0.8) else Instrument.PROTRACTOR
        stated = [d.checking_lift_mm for d in self.shaft.origin.part.lobes[kind].durations]
        told = float(self.rng.choice(stated)) if stated and self.chance(0.85) else float(self.rng.choice([0.5, 1.0]))
        used = told
        if self.slips(Slip.OTHER_CHECKING_LIFT):
            others = [lift for lift in (0.1524, 0.508, 1.0, 1.27) if abs(lift - told) > 0.1]
            used = float(self.rng.choice(others))
            apart = abs(self.shaft.duration(kind, used) - self.shaft.duration(kind, told))
            self.note(Slip.OTHER_CHECKING_LIFT, apart >= VISIBLE_CRANK_DEG)
        in_cam = self.chance(0.15)
        truth = self.shaft.duration(kind, used) + self.rng.normal(0, self.world.tools[tool].hand * self.skill)
        degrees = Degrees.CAM if in_cam else Degrees.CRANK
        if in_cam:
            truth /= 2
        elif self.slips(Slip.CAM_AS_CRANK_DEGREES):
            truth /= 2
            self.note(Slip.CAM_AS_CRANK_DEGREES, True)
        if truth <= 0:
            return
        checking = Decimal(f"{self.unit.from_mm(told):.{self.unit.decimals}f}")
        values = write_angles([truth], self.world.tools[tool].inch_step, self.as_number)
        self.add(Feature.DURATION, values, tool, lobe=kind, checking_lift=checking, degrees=degrees, at=At.LOBE)

    def separation(self) -> None:
        tool = Instrument.DEGREE_WHEEL
        angle = self.shaft.separation + self.rng.normal(0, self.world.tools[tool].hand * self.skill)
        self.add(Feature.LOBE_SEPARATION, write_angles([angle], self.world.tools[tool].inch_step), tool)

    def overall_length(self) -> None:
        if self.shaft.length is not None:
            values = self.width(self.shaft.length, self.main, extra=self.world.length_hand)
            self.add(Feature.OVERALL_LENGTH, values, self.main)

    def zero_check(self, tool: Instrument) -> None:
        needs_gauge = tool is Instrument.OUTSIDE_MICROMETER and self.chance(0.5)
        reference = Decimal(0)
        if needs_gauge:
            reference = Decimal(1) if self.unit is LengthUnit.INCH else Decimal(25)
        truth = self.unit.to_mm(reference) + self.zero(tool)
        size = truth + self.rng.normal(0, self.world.tools[tool].hand * 0.6 * self.skill)
        self.add(Feature.ZERO_CHECK, self.write([size], tool), tool, reference=reference)


def set_up(shaft: Shaft, world: World, rng: np.random.Generator) -> tuple[Bench, bool]:
    habits = world.habits
    novice = bool(rng.random() < world.novice_share)
    skill = (world.novice_factor if novice else 1.0) * float(np.exp(rng.normal(0, world.skill_spread)))
    tools, shares = list(habits.main_tool), np.array(list(habits.main_tool.values()))
    main = tools[int(rng.choice(len(tools), p=shares / shares.sum()))]
    unit = LengthUnit.MILLIMETRE if rng.random() < habits.metric else LengthUnit.INCH
    written, usual = rng.random(), 3 if unit is LengthUnit.INCH else 2
    fewer = usual - 1 if written < habits.coarse_digits else usual if written < habits.fewer_digits else None
    bench = Bench(
        shaft=shaft,
        world=world,
        rng=rng,
        unit=unit,
        main=main,
        skill=skill,
        as_number=bool(rng.random() < habits.number_not_text),
        most_decimals=fewer,
        repeats=bool(rng.random() < habits.repeats),
        names_tool=bool(rng.random() < 0.4),
    )
    return bench, novice


def _take_readings(bench: Bench) -> None:
    habits, shaft, chance, main = bench.world.habits, bench.shaft, bench.chance, bench.main
    journal_tool = main
    if main is not Instrument.OUTSIDE_MICROMETER and chance(habits.second_micrometer):
        journal_tool = Instrument.OUTSIDE_MICROMETER
    if chance(habits.zero_check):
        bench.zero_check(journal_tool)
    for position in shaft.journals:
        if chance(habits.front_journal if position is Position.FRONT else habits.other_journal):
            bench.journal(position, journal_tool)
    for kind in shaft.kinds:
        share = habits.widths_of_intake if kind is LobeKind.INTAKE else habits.widths_of_exhaust
        if chance(habits.plain_lift):
            bench.lobe_lift(kind, Instrument.DIAL_INDICATOR if chance(0.5) else main)
        elif chance(share):
            second = chance(habits.second_cylinder)
            bench.lobe_widths(kind, 1 if second else None, main, base=not chance(habits.height_alone))
            if second:
                bench.lobe_widths(kind, 2, main)
            if chance(habits.same_again):
                bench.lobe_widths(kind, 1 if second else None, Instrument.OUTSIDE_MICROMETER)
            if chance(habits.indicator_lift):
                bench.lobe_lift(kind, Instrument.DIAL_INDICATOR)
        if chance(habits.valve_lift):
            bench.valve_lift(kind)
        if chance(habits.duration):
            bench.duration(kind)
    if len(shaft.kinds) == 2 and chance(habits.separation):
        bench.separation()
    if chance(habits.overall_length):
        bench.overall_length()
    if not bench.readings:
        bench.lobe_widths(shaft.kinds[0], None, main)


def _slips_of_the_pen(bench: Bench) -> bool:
    """Mistakes made in writing down and telling; True where a digit was misheard."""
    shaft = bench.shaft
    if len(shaft.kinds) == 2 and bench.slips(Slip.LOBES_SWAPPED):
        one, other = (shaft.kinds[0], 1), (shaft.kinds[1], 1)
        lift_apart = abs(shaft.lift[one] - shaft.lift[other])
        base_apart = abs(shaft.base[one] - shaft.base[other])
        if any(reading.lobe is not None for reading in bench.readings):
            bench.note(Slip.LOBES_SWAPPED, max(lift_apart, base_apart) >= VISIBLE_MM)
        bench.readings = [r if r.lobe is None else replace(r, lobe=r.lobe.other) for r in bench.readings]
    misheard = False
    for at, reading in enumerate(bench.readings):
        if reading.feature is Feature.ZERO_CHECK:
            continue
        changed: Reading | None = None
        if bench.slips(Slip.DIGITS_SWAPPED):
            changed = swap_digits(reading, bench.rng)
            if changed is not None:
                moved = abs(float(changed.mean - reading.mean))
                least = 4.0 if reading.feature.is_angle else bench.unit.from_mm(VISIBLE_MM)
                bench.note(Slip.DIGITS_SWAPPED, moved >= least)
        elif bench.slips(Slip.DECIMAL_SLIPPED):
            changed = slip_decimal(reading, bench.rng)
            bench.note(Slip.DECIMAL_SLIPPED, True)
        elif bench.chance(bench.world.misheard_rate):
            changed = mishear_digit(reading, bench.rng)
            misheard = True
        if changed is not None:
            bench.readings[at] = changed
    return misheard


def draw_caller(supply: Supply, world: World, rng: np.random.Generator) -> Caller:
    """One call from beginning to end."""
    shaft = draw_shaft(supply, world, rng)
    habits = world.habits
    bench, novice = set_up(shaft, world, rng)
    _take_readings(bench)
    misheard = _slips_of_the_pen(bench)
    unit = bench.unit
    if bench.slips(Slip.UNIT_MISTAKEN):
        unit = unit.other
        bench.note(Slip.UNIT_MISTAKEN, True)
    experience = None
    if bench.chance(habits.says_experience):
        experience = Experience.FIRST_TIME if novice else Experience.PRACTISED
    family = None
    if bench.chance(habits.family_claim):
        family = _claimed_family(supply, shaft, world, rng)
    teeth = shaft.origin.core.gear_teeth
    if teeth is not None:
        teeth = teeth if bench.chance(world.teeth_right) else teeth + int(rng.choice([-1, 1]))
    submission = Submission(
        source=list(Source)[int(rng.integers(3))],
        unit=unit,
        readings=tuple(bench.readings),
        instrument=None if bench.chance(habits.tool_unsaid) else bench.main,
        experience=experience,
        condition=shaft.condition if bench.chance(habits.says_condition) else None,
        engine_family=family,
        gear_teeth=teeth if bench.chance(habits.gear_teeth) else None,
    )
    return Caller(submission, shaft, tuple(bench.mistakes), misheard)


def _claimed_family(supply: Supply, shaft: Shaft, world: World, rng: np.random.Generator) -> str | None:
    own = shaft.origin.core.engine_families
    if own and rng.random() < world.family_right:
        return own[int(rng.integers(len(own)))]
    if not shaft.origin.core_known:
        return "a family nobody here knows"
    others = [f for core in supply.catalogue.cores for f in core.engine_families if f not in own]
    return others[int(rng.integers(len(others)))] if others else None
