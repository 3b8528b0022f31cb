"""Quantities worked out from a submission's readings, each with its uncertainty budget after JCGM 100 (GUM).

* lobe lift = lobe height - base circle, for each lobe with both; or from the valve lift and the rocker ratio, where
  that is all there is;
* valve lift = lobe lift x rocker ratio - lash, where a reading names the ratio;
* lobe separation and overlap, where valve events, or a separation and two durations, allow.

The measurand is this shaft as it lies there, worn or not: making and wear are no part of these budgets, and the
catalogue is not consulted. What a reading's error is made of is the measuring model's; see `combination`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from decimal import Decimal

from service.domain.identification import BudgetComponent, Derived
from service.domain.readings import At, Degrees, Event, Feature, LobeKind, Reading, Submission
from service.identification.measuring.combination import Case, Combined, Group, Input, combine
from service.identification.measuring.model import MeasuringModel

RATIO = "rocker ratio, against its stated figure"

_Lobe = tuple[LobeKind, int | None]


def derived_quantities(submission: Submission, model: MeasuringModel) -> tuple[Derived, ...]:
    """Every quantity that the readings of `submission` allow: lifts lobe by lobe, then separation and overlap."""
    case = Case.of(submission, model)
    return (*_lifts(case), *_timing(case))


def _derived(
    quantity: str, value: float, combined: Combined, lobe: _Lobe | None = None, *, is_length: bool = True
) -> Derived:
    kind, cylinder = lobe or (None, None)
    return Derived(
        quantity=quantity,
        lobe=kind,
        cylinder=cylinder,
        value=value,
        corrected=combined.corrected,
        standard_uncertainty=combined.standard_uncertainty,
        interval=combined.interval,
        budget=combined.budget,
        is_length=is_length,
    )


def _plain_mean(readings: list[Reading]) -> Decimal:
    """The mean of all the values written down, as a caller takes it on a calculator."""
    values = [written.value for reading in readings for written in reading.values]
    return sum(values, Decimal(0)) / len(values)


# lifts


def _lifts(case: Case) -> Iterator[Derived]:
    lobes: dict[_Lobe, dict[Feature, list[Reading]]] = defaultdict(lambda: defaultdict(list))
    for reading in case.submission.readings:
        if reading.lobe is not None:
            lobes[reading.lobe, reading.cylinder][reading.feature].append(reading)
    for lobe in sorted(lobes, key=lambda lobe: (list(LobeKind).index(lobe[0]), lobe[1] or 0)):
        of_lobe = lobes[lobe]
        heights, bases = of_lobe[Feature.LOBE_HEIGHT], of_lobe[Feature.BASE_CIRCLE]
        at_valve = [reading for reading in of_lobe[Feature.VALVE_LIFT] if reading.rocker_ratio]
        if heights and bases:
            yield _lift_of_widths(heights, bases, lobe, case)
            known_ratio = at_valve or _ratio_known_for(lobe[0], case)
            if known_ratio:
                yield _valve_lift_of_widths(heights, bases, known_ratio[0], lobe, case)
        elif at_valve:
            yield _lift_at_valve(at_valve, lobe, case)


def _ratio_known_for(kind: LobeKind, case: Case) -> list[Reading]:
    """Valve lifts of any lobe of this kind that name their rocker ratio; one engine's rockers are alike."""
    return [
        reading
        for reading in case.submission.readings
        if reading.feature is Feature.VALVE_LIFT and reading.lobe is kind and reading.rocker_ratio
    ]


def _width_groups(heights: list[Reading], bases: list[Reading], times: float = 1.0) -> tuple[Group, Group]:
    return (
        Group(times, "lobe height", tuple(Input(reading) for reading in heights)),
        Group(-times, "base circle", tuple(Input(reading) for reading in bases)),
    )


def _lift_of_widths(heights: list[Reading], bases: list[Reading], lobe: _Lobe, case: Case) -> Derived:
    value = case.submission.unit.to_mm(_plain_mean(heights) - _plain_mean(bases))
    return _derived("lobe_lift", value, combine(_width_groups(heights, bases), case), lobe)


def _valve_lift_of_widths(
    heights: list[Reading],
    bases: list[Reading],
    known_ratio: Reading,
    lobe: _Lobe,
    case: Case,
) -> Derived:
    """Lobe lift x ratio - lash; the ratio's own error moves it by the lift (JCGM 100, 5.1.2: c = dV/dr = lift)."""
    ratio, lash = known_ratio.rocker_ratio or Decimal(1), known_ratio.lash or Decimal(0)
    lift = _plain_mean(heights) - _plain_mean(bases)
    combined = combine(
        _width_groups(heights, bases, float(ratio)),
        case,
        constant=-case.submission.unit.to_mm(lash),
        others=[BudgetComponent(RATIO, abs(case.submission.unit.to_mm(lift * ratio)) * case.model.valve_ratio_sd)],
    )
    return _derived("valve_lift", case.submission.unit.to_mm(lift * ratio - lash), combined, lobe)


def _lift_at_valve(at_valve: list[Reading], lobe: _Lobe, case: Case) -> Derived:
    """(Valve lift + lash) / ratio, from every valve lift of the lobe that names its ratio, which they share."""
    lifts = [(_plain_mean([r]) + (r.lash or Decimal(0))) / (r.rocker_ratio or Decimal(1)) for r in at_valve]
    value = case.submission.unit.to_mm(sum(lifts, Decimal(0)) / len(lifts))
    inputs = []
    for reading in at_valve:
        per_lobe = 1 / float(reading.rocker_ratio or 1)
        inputs.append(Input(reading, per_lobe, case.submission.unit.to_mm(reading.lash or 0) * per_lobe))
    ratio_error = BudgetComponent(RATIO, abs(value) * case.model.valve_ratio_sd)
    combined = combine([Group(1.0, "valve lift", tuple(inputs))], case, others=[ratio_error])
    return _derived("lobe_lift", value, combined, lobe)


# timing

_EVENT_NAMES: dict[str, str] = {
    Event.INTAKE_OPENS: "intake opening",
    Event.INTAKE_CLOSES: "intake closing",
    Event.EXHAUST_OPENS: "exhaust opening",
    Event.EXHAUST_CLOSES: "exhaust closing",
}

_Check = tuple[Decimal | None, At | None]


def _timing(case: Case) -> Iterator[Derived]:
    """Separation in cam degrees and overlap in crank degrees; events as degrees before or after their dead centre.

    With IO before and EC after top dead centre, EO before and IC after bottom, all at one checking lift: the lobe
    centres stand 90 + (IC - IO) / 2 after and 90 + (EO - EC) / 2 before top, the separation in cam degrees is the mean
    of the two, and the overlap is IO + EC. An event on the other side of its dead centre is written negative.
    """
    events: dict[_Check, dict[Event, list[Reading]]] = defaultdict(lambda: defaultdict(list))
    for reading in case.submission.readings:
        if reading.feature is Feature.VALVE_EVENT and reading.event is not None:
            events[reading.checking_lift, reading.at][reading.event].append(reading)
    complete = next((found for found in events.values() if len(found) == len(Event)), None)
    has_separation = any(r.feature is Feature.LOBE_SEPARATION for r in case.submission.readings)
    if complete and not has_separation:
        shares = {
            Event.INTAKE_OPENS: -0.25,
            Event.INTAKE_CLOSES: 0.25,
            Event.EXHAUST_OPENS: 0.25,
            Event.EXHAUST_CLOSES: -0.25,
        }
        yield _of_angles("lobe_separation", {e: (shares[e], complete[e]) for e in Event}, 90.0, case)
    overlapping = next(
        (f for f in events.values() if f[Event.INTAKE_OPENS] and f[Event.EXHAUST_CLOSES]),
        None,
    )
    if overlapping:
        terms = {e: (1.0, overlapping[e]) for e in (Event.INTAKE_OPENS, Event.EXHAUST_CLOSES)}
        yield _of_angles("overlap", terms, 0.0, case)
    elif has_separation:
        yield from _overlap_of_durations(case)


def _overlap_of_durations(case: Case) -> Iterator[Derived]:
    """Half the sum of the two durations less twice the separation, at the first checking lift both lobes share."""
    separations = [r for r in case.submission.readings if r.feature is Feature.LOBE_SEPARATION]
    durations: dict[_Check, dict[LobeKind, list[Reading]]] = defaultdict(lambda: defaultdict(list))
    for reading in case.submission.readings:
        if reading.feature is Feature.DURATION and reading.lobe is not None:
            durations[reading.checking_lift, reading.at][reading.lobe].append(reading)
    both = next((found for found in durations.values() if len(found) == len(LobeKind)), None)
    if both:
        terms: dict[str, tuple[float, list[Reading]]] = {f"{k.value} duration": (0.5, both[k]) for k in LobeKind}
        terms["lobe separation"] = (-2.0, separations)
        yield _of_angles("overlap", terms, 0.0, case)


def _of_angles(
    quantity: str,
    terms: dict[Event, tuple[float, list[Reading]]] | dict[str, tuple[float, list[Reading]]],
    constant: float,
    case: Case,
) -> Derived:
    """A sum of angles. Cam degrees of an event or a duration count twice; a separation is in cam degrees already."""
    value, groups = Decimal(constant), []
    for name, (coefficient, readings) in terms.items():
        inputs = tuple(Input(reading, _crank_per_degree(reading)) for reading in readings)
        groups.append(Group(coefficient, _EVENT_NAMES.get(name, name), inputs))
        values = [w.value * Decimal(i.scale) for i in inputs for w in i.reading.values]
        value += Decimal(coefficient) * sum(values, Decimal(0)) / len(values)
    combined = combine(groups, case, constant=constant)
    return _derived(quantity, float(value), combined, is_length=False)


def _crank_per_degree(reading: Reading) -> float:
    return 2.0 if reading.degrees is Degrees.CAM and reading.feature is not Feature.LOBE_SEPARATION else 1.0
