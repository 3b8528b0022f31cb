"""Valve timing read in an engine, worked out with the measuring model's errors."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from decimal import Decimal

from service.domain.readings import At, Experience, Feature, Instrument, LobeKind, Reading, Source, Submission, Written
from service.domain.units import LengthUnit
from service.identification.measuring.model import MeasuringModel, spread_of_mean
from service.lobe.figures import Figure
from service.lobe.valve_timing import (
    EVENTS,
    Timing,
    TimingReading,
    TimingReport,
    ValveTrain,
    crank_deg_per_mm,
    equal_lift_centre,
    moved_timing,
    piston_stop,
    work_timing_out,
)

WHEEL_ZERO_SD = 1.0
"""Crank degrees: how far a wheel set without a piston stop is off (common practice, no source; near dead centre the
piston moves little for 15 to 20 degrees, US Army TM 9-8000)."""
STATED_SD = 1.0
"""Crank degrees, cam degrees for a separation: a card's figure beside the shaft as it was ground and fitted (common
practice, no source)."""
_TYPICAL_LIFT_MM = 8.0
_TYPICAL_DURATION = 230.0


@dataclass(frozen=True)
class TimingTaken:
    """One figure: repeats of it off the wheel, or as a card states it; a centre may be two places of `equal_lifts`."""

    what: Timing
    values: tuple[Written, ...]
    stated: bool = False
    equal_lifts: tuple[Written, Written] | None = None


@dataclass(frozen=True)
class TimingSheet:
    """What was read in the engine, all at one checking lift (in `unit`), at the lobe or at the valve.

    `stop` are a piston stop's two readings, before and after top dead centre. `also_at` is another checking lift to
    work the figures over to.
    """

    unit: LengthUnit
    checking_lift: Decimal
    at: At
    taken: tuple[TimingTaken, ...]
    trains: dict[LobeKind, ValveTrain] = field(default_factory=lambda: {kind: ValveTrain() for kind in LobeKind})
    instrument: Instrument = Instrument.DEGREE_WHEEL
    experience: Experience | None = None
    stop: tuple[Written, Written] | None = None
    also_at: tuple[Decimal, At] | None = None


@dataclass(frozen=True)
class TimingFound:
    """A sheet worked out. `there` are the figures at `also_at`; `lobe_mm` and `valve_mm` where lobe and valve stand at
    the checking lift read (below 0: the lash is not taken up)."""

    sheet: TimingSheet
    report: TimingReport
    lobe_mm: dict[LobeKind, float]
    valve_mm: dict[LobeKind, float]
    there: dict[Timing, Figure] | None


def work_timing_sheet_out(model: MeasuringModel, sheet: TimingSheet) -> TimingFound:
    """Work a sheet out under a measuring model."""
    lobe_mm = {kind: _lobe_lift(sheet, kind, sheet.checking_lift, sheet.at) for kind in LobeKind}
    wheel, _ = _wheel(model, sheet)
    report = work_timing_out([_reading(model, sheet, taken, lobe_mm) for taken in sheet.taken], wheel)
    there = None
    if sheet.also_at is not None:
        wanted = {kind: _lobe_lift(sheet, kind, *sheet.also_at) for kind in LobeKind}
        there = moved_timing(report.figures, lobe_mm, wanted, sheet.trains, model.duration_guess_sd)
    valve_mm = {kind: sheet.trains[kind].at_valve(lobe_mm[kind]) for kind in LobeKind}
    return TimingFound(sheet, report, lobe_mm, valve_mm, there)


def _lobe_lift(sheet: TimingSheet, kind: LobeKind, lift: Decimal, at: At) -> float:
    mm = sheet.unit.to_mm(lift)
    return sheet.trains[kind].at_lobe(mm) if at is At.VALVE else mm


def _wheel(model: MeasuringModel, sheet: TimingSheet) -> tuple[Figure, float]:
    if sheet.stop is None:
        return Figure(0.0, WHEEL_ZERO_SD), 0.0
    before, after = sheet.stop
    return piston_stop(float(before.value), float(after.value), _angle_sd(model, sheet, sheet.stop[:1]))


def _angle_sd(model: MeasuringModel, sheet: TimingSheet, values: tuple[Written, ...]) -> float:
    reading = Reading(Feature.VALVE_EVENT, values, sheet.instrument)
    submission = Submission(Source.PHONE, sheet.unit, (reading,), experience=sheet.experience)
    return spread_of_mean(reading, submission, model).sd


def _reading(
    model: MeasuringModel, sheet: TimingSheet, taken: TimingTaken, lobe_mm: dict[LobeKind, float]
) -> TimingReading:
    if taken.equal_lifts is not None:
        first, second = taken.equal_lifts
        sd = _angle_sd(model, sheet, taken.equal_lifts[:1]) / math.sqrt(2)
        return TimingReading(taken.what, equal_lift_centre(float(first.value), float(second.value)), sd)
    value = float(sum((w.value for w in taken.values), Decimal(0)) / len(taken.values))
    if taken.stated:
        return TimingReading(taken.what, value, STATED_SD, on_wheel=False)
    sd = _angle_sd(model, sheet, taken.values)
    if taken.what in EVENTS:
        kind = LobeKind(taken.what.value.partition("_")[0])
        sd = math.hypot(sd, _indicator_deg(model, sheet, kind, lobe_mm[kind]) / math.sqrt(len(taken.values)))
    return TimingReading(taken.what, value, sd)


def _indicator_deg(model: MeasuringModel, sheet: TimingSheet, kind: LobeKind, lobe_mm: float) -> float:
    """What the indicator's own scatter moves an event by, on a typical lobe, in crank degrees."""
    train = sheet.trains[kind]
    lift = train.lift_mm or max(_TYPICAL_LIFT_MM, 2 * lobe_mm)
    scatter = model.tools[Instrument.DIAL_INDICATOR].scatter
    at_lobe = scatter / train.rocker_ratio if sheet.at is At.VALVE else scatter
    return at_lobe * crank_deg_per_mm(max(lobe_mm, scatter), lift, _TYPICAL_DURATION)
