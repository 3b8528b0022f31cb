"""Valve timing as it is read in the engine: events at a checking lift in; centres, separation, overlap, advance out.

Angles are crank degrees as a timing card writes them: the intake opens before top dead centre and closes after bottom
dead centre, the exhaust opens before bottom and closes after top dead centre; an event on the other side of its dead
centre is negative. With IO, IC, EO, EC so written (US Army TM 9-8000, valve timing; the rules are common practice):

    duration = open + 180 + close               intake centre  = duration/2 - IO   after top dead centre
    overlap  = IO + EC                          exhaust centre = duration/2 - EC   before top dead centre
    separation = mean of the two centres, which is cam degrees;  advance = (exhaust centre - intake centre) / 2

All are linear in the four events and in how far the wheel's zero is off, so any of them may be read or stated, several
times if need be, and all are worked out together (`adjustment`). A wheel that is off moves every event and both
centres, and leaves durations, separation and overlap.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

from service.domain.readings import LobeKind
from service.lobe.adjustment import Adjusted, Observation, adjust
from service.lobe.figures import Figure
from service.lobe.timing import RISE_EXPONENT, guess_duration


class Timing(StrEnum):
    """What can be read of valve timing, or be worked out."""

    INTAKE_OPENS = "intake_opens"
    INTAKE_CLOSES = "intake_closes"
    EXHAUST_OPENS = "exhaust_opens"
    EXHAUST_CLOSES = "exhaust_closes"
    INTAKE_DURATION = "intake_duration"
    EXHAUST_DURATION = "exhaust_duration"
    INTAKE_CENTRE = "intake_centre"
    EXHAUST_CENTRE = "exhaust_centre"
    SEPARATION = "lobe_separation"
    OVERLAP = "overlap"
    ADVANCE = "advance"


EVENTS = (Timing.INTAKE_OPENS, Timing.INTAKE_CLOSES, Timing.EXHAUST_OPENS, Timing.EXHAUST_CLOSES)

_FORMS: dict[Timing, tuple[tuple[float, float, float, float], float, float]] = {
    Timing.INTAKE_OPENS: ((1, 0, 0, 0), 0.0, -1.0),
    Timing.INTAKE_CLOSES: ((0, 1, 0, 0), 0.0, 1.0),
    Timing.EXHAUST_OPENS: ((0, 0, 1, 0), 0.0, -1.0),
    Timing.EXHAUST_CLOSES: ((0, 0, 0, 1), 0.0, 1.0),
    Timing.INTAKE_DURATION: ((1, 1, 0, 0), 180.0, 0.0),
    Timing.EXHAUST_DURATION: ((0, 0, 1, 1), 180.0, 0.0),
    Timing.INTAKE_CENTRE: ((-0.5, 0.5, 0, 0), 90.0, 1.0),
    Timing.EXHAUST_CENTRE: ((0, 0, 0.5, -0.5), 90.0, -1.0),
    Timing.SEPARATION: ((-0.25, 0.25, 0.25, -0.25), 90.0, 0.0),
    Timing.OVERLAP: ((1, 0, 0, 1), 0.0, 0.0),
    Timing.ADVANCE: ((0.25, -0.25, 0.25, -0.25), 0.0, -1.0),
}
"""(the four events' parts, what is added, how much a wheel that reads 1 degree too much adds)."""

PLAUSIBLE: dict[Timing, tuple[float, float]] = {
    Timing.INTAKE_DURATION: (110.0, 400.0),
    Timing.EXHAUST_DURATION: (110.0, 400.0),
    Timing.INTAKE_CENTRE: (80.0, 140.0),
    Timing.EXHAUST_CENTRE: (80.0, 140.0),
    Timing.SEPARATION: (88.0, 130.0),
    Timing.OVERLAP: (-110.0, 160.0),
    Timing.ADVANCE: (-20.0, 20.0),
}
"""Where four-stroke engines' figures lie (common practice, no source; wide on purpose)."""


@dataclass(frozen=True)
class TimingReading:
    """One figure as it was read on the wheel, or as a card states it (`on_wheel` False): its value and uncertainty."""

    what: Timing
    value: float
    sd: float
    on_wheel: bool = True


class TimingSlip(StrEnum):
    """A mistake that would account for a reading."""

    OTHER_SIDE = "other_side_of_dead_centre"
    OTHER_DEAD_CENTRE = "other_dead_centre"
    CAM_DEGREES = "cam_as_crank_degrees"
    CRANK_DEGREES = "crank_as_cam_degrees"
    DIGITS = "digits_swapped"


@dataclass(frozen=True)
class Explanation:
    """One reading with one mistake put right, under which everything holds together."""

    reading: int
    slip: TimingSlip
    value: float


@dataclass(frozen=True)
class Disagreement:
    """Readings that cannot hold together (`members`, and by how much each is off if it alone is), or, with `figure`, a
    figure that no four-stroke engine has, from the readings that give it."""

    members: tuple[int, ...]
    off_by: tuple[float, ...]
    figure: Timing | None
    explanations: tuple[Explanation, ...]


@dataclass(frozen=True)
class TimingReport:
    """Every figure that the readings tell, as a card writes it; `wheel` is how much the wheel reads too much."""

    figures: dict[Timing, Figure]
    wheel: Figure
    disagreements: tuple[Disagreement, ...]


def work_timing_out(readings: Sequence[TimingReading], wheel: Figure) -> TimingReport:
    """Work timing out; `wheel` is what is known of the wheel's zero beforehand: 0 and its doubt, or a piston stop's."""
    adjusted = _adjusted(readings, wheel)
    figures = _figures(adjusted)
    found = [
        Disagreement(c.members, c.off_by, None, _explanations(readings, wheel, c.members))
        for c in adjusted.conflicts
        if all(i < len(readings) for i in c.members)
    ]
    if not adjusted.conflicts:
        for what in _implausible(figures):
            members = tuple(i for i, reading in enumerate(readings) if _bears_on(reading.what, what))
            fits = _explanations(readings, wheel, members)
            found.append(Disagreement(members, (0.0,) * len(members), what, fits))
    return TimingReport(figures, adjusted.figure((0, 0, 0, 0, 1)) or wheel, tuple(found))


def piston_stop(before_tdc: float, after_tdc: float, sd: float) -> tuple[Figure, float]:
    """(how much the wheel reads too much after top dead centre, half the span) from a stop's two readings.

    The crank meets the stop as far before top dead centre as after it: the wheel is off by half the difference.
    """
    return Figure((after_tdc - before_tdc) / 2, sd / math.sqrt(2)), (before_tdc + after_tdc) / 2


def equal_lift_centre(first: float, second: float) -> float:
    """The middle of two places of one lift, in the degrees they are given in."""
    return (first + second) / 2


def _adjusted(readings: Sequence[TimingReading], wheel: Figure) -> Adjusted:
    observed = [Observation((0, 0, 0, 0, 1), wheel.value, wheel.sd)]
    rows = []
    for reading in readings:
        parts, offset, by_wheel = _FORMS[reading.what]
        rows.append(Observation((*parts, by_wheel if reading.on_wheel else 0.0), reading.value, reading.sd, offset))
    return adjust([*rows, *observed])


def _figures(adjusted: Adjusted) -> dict[Timing, Figure]:
    found = {}
    for what, (parts, offset, _) in _FORMS.items():
        figure = adjusted.figure((*parts, 0.0), offset)
        if figure is not None:
            found[what] = figure
    return found


def _implausible(figures: dict[Timing, Figure]) -> list[Timing]:
    return [
        what
        for what, (least, most) in PLAUSIBLE.items()
        if what in figures and not least <= figures[what].value <= most
    ]


def _bears_on(read: Timing, figure: Timing) -> bool:
    return any(a and b for a, b in zip(_FORMS[read][0], _FORMS[figure][0], strict=True))


def _explanations(readings: Sequence[TimingReading], wheel: Figure, members: Sequence[int]) -> tuple[Explanation, ...]:
    """The single mistakes under which everything holds together and every figure is an engine's."""
    found = []
    for i in members:
        if i >= len(readings):
            continue
        for slip, value in _slips(readings[i]):
            mended = [*readings[:i], replace(readings[i], value=value), *readings[i + 1 :]]
            again = _adjusted(mended, wheel)
            if not again.conflicts and not _implausible(_figures(again)):
                found.append(Explanation(i, slip, value))
    return tuple(found)


def _slips(reading: TimingReading) -> list[tuple[TimingSlip, float]]:
    value, found = reading.value, []
    if value and reading.what in (*EVENTS, Timing.OVERLAP, Timing.ADVANCE):
        found.append((TimingSlip.OTHER_SIDE, -value))
    if reading.what in EVENTS:
        found += [(TimingSlip.OTHER_DEAD_CENTRE, 180.0 - value), (TimingSlip.OTHER_DEAD_CENTRE, value - 180.0)]
    if reading.what is Timing.SEPARATION:
        found.append((TimingSlip.CRANK_DEGREES, value / 2))
    elif value:
        found.append((TimingSlip.CAM_DEGREES, value * 2))
    digits = f"{abs(value):g}"
    for k, (a, b) in enumerate(pairwise(digits)):
        if a.isdigit() and b.isdigit() and a != b:
            swapped = float(digits[:k] + b + a + digits[k + 2 :])
            found.append((TimingSlip.DIGITS, math.copysign(swapped, value)))
    return found


@dataclass(frozen=True)
class ValveTrain:
    """From one lobe to its valve: `lift_mm` is the lobe's, None where nobody knows it; `lash_mm` is at the valve."""

    rocker_ratio: float = 1.0
    lash_mm: float = 0.0
    lift_mm: float | None = None

    def at_valve(self, lobe_mm: float) -> float:
        """What the valve has lifted where the lobe stands at `lobe_mm`; below 0 the lash is not taken up yet."""
        return lobe_mm * self.rocker_ratio - self.lash_mm

    def at_lobe(self, valve_mm: float) -> float:
        """Where the lobe stands when the valve has lifted `valve_mm`."""
        return (valve_mm + self.lash_mm) / self.rocker_ratio


def moved_timing(
    figures: dict[Timing, Figure],
    from_lobe_mm: dict[LobeKind, float],
    to_lobe_mm: dict[LobeKind, float],
    trains: dict[LobeKind, ValveTrain],
    guess_sd: float,
) -> dict[Timing, Figure]:
    """The figures at other lobe lifts than those they were read at, for the lobes whose lift is known.

    A lobe's duration there is that of the typical lobe of its lift (`timing.guess_duration`); `guess_sd` is how far
    lobes stray from it, in crank degrees; both its events move alike. Centres, separation and advance stay.
    """
    shifts: dict[LobeKind, Figure] = {}
    found: dict[Timing, Figure] = {
        what: figures[what]
        for what in (Timing.INTAKE_CENTRE, Timing.EXHAUST_CENTRE, Timing.SEPARATION, Timing.ADVANCE)
        if what in figures
    }
    for kind in LobeKind:
        duration = figures.get(Timing(f"{kind.value}_duration"))
        lift = trains[kind].lift_mm
        if duration is None or lift is None or not max(from_lobe_mm[kind], to_lobe_mm[kind]) < lift:
            continue
        there = guess_duration([(from_lobe_mm[kind], duration.value)], lift, to_lobe_mm[kind])
        known = abs(from_lobe_mm[kind] - to_lobe_mm[kind]) < 1e-6
        shifts[kind] = Figure((there - duration.value) / 2, 0.0 if known else guess_sd / 2)
        found[Timing(f"{kind.value}_duration")] = Figure(there, math.hypot(duration.sd, 2 * shifts[kind].sd))
        for event in (Timing(f"{kind.value}_opens"), Timing(f"{kind.value}_closes")):
            if event in figures:
                moved = figures[event].value + shifts[kind].value
                found[event] = Figure(moved, math.hypot(figures[event].sd, shifts[kind].sd))
    if Timing.OVERLAP in figures and len(shifts) == len(LobeKind):
        by, doubt = sum(s.value for s in shifts.values()), math.hypot(*(s.sd for s in shifts.values()))
        overlap = figures[Timing.OVERLAP]
        found[Timing.OVERLAP] = Figure(overlap.value + by, math.hypot(overlap.sd, doubt))
    return {what: found[what] for what in Timing if what in found}


def crank_deg_per_mm(checking_lift_mm: float, lift_mm: float, duration_crank_deg: float) -> float:
    """How far an event moves for an error of the lift it is read at, on the typical lobe (`timing.guess_durations`).

    s = L (1 - u^2)^p at u half-durations from the nose, so |d angle / d s| = H / (2 p u L (1 - u^2)^(p - 1)), H being
    the half-duration at the seat.
    """
    share = min(max(checking_lift_mm / lift_mm, 1e-6), 0.999)
    u = math.sqrt(1 - share ** (1 / RISE_EXPONENT))
    seat = duration_crank_deg / 2 / u
    return float(seat / (2 * RISE_EXPONENT * u * lift_mm * (1 - u**2) ** (RISE_EXPONENT - 1)))
