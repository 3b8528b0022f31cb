"""Valve events read in an engine, as entries the likelihood can weigh: durations, and the lobe separation.

With intake opening o_i before top dead centre and closing c_i after bottom dead centre, exhaust opening o_e before
bottom and closing c_e after top dead centre, all in crank degrees at one checking lift,

    D_i = o_i + 180 + c_i        D_e = o_e + 180 + c_e        S = (360 + c_i - o_i + o_e - c_e) / 4

are the two durations and the separation in cam degrees. A wheel whose zero is off by z, or a shaft that was fitted z
degrees early, moves o_i and o_e up by z and c_i and c_e down by z: D_i, D_e and S stay as they are. Four events have
one such unknown in common and say three things of the shaft, and these are they. Where every event has the same
standard uncertainty their errors are independent (sums and differences of like variances), so nothing is lost and
nothing is counted twice; where one was read more often than its fellow, S and D are correlated, D_i with a covariance
of (u(c_i)^2 - u(o_i)^2) / 4, which is neglected. An event without its fellow says nothing of the shaft that the wheel's
zero does not take away.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass

from service.domain.readings import At, Event, Feature, LobeKind, Submission
from service.identification.catalogue_table.table import LOBES
from service.identification.entries.entries import Entry, Truth
from service.identification.measuring.model import MeasuringModel, spread_of_mean

EVENTS_POINTER = "/valve_events"
"""Where evidence points for all events of a submission together: each says something only beside its fellows."""

_PAIRS = {
    LobeKind.INTAKE: (Event.INTAKE_OPENS, Event.INTAKE_CLOSES),
    LobeKind.EXHAUST: (Event.EXHAUST_OPENS, Event.EXHAUST_CLOSES),
}


@dataclass(frozen=True)
class WeighedEvents:
    """What events say. `used` are the indices of the readings in `entries`; others are kept and not weighed."""

    entries: tuple[Entry, ...]
    used: frozenset[int]


@dataclass(frozen=True)
class _Seen:
    """An event as read, crank degrees: the mean of its readings by their weights, its variance, and which they are."""

    mean: float
    variance: float
    indices: tuple[int, ...]


def weighed_events(submission: Submission, model: MeasuringModel, level: float = 1.0) -> WeighedEvents:
    """The durations and the separation that the events of a submission say, for a hand of a level."""
    entries: list[Entry] = []
    used: set[int] = set()
    for (checking, at), events in _by_checking_lift(submission, model, level).items():
        pairs = {kind: (events[a], events[b]) for kind, (a, b) in _PAIRS.items() if a in events and b in events}
        for kind, (opens, closes) in pairs.items():
            entries.append(_duration(kind, opens, closes, checking, at))
            used |= {*opens.indices, *closes.indices}
        if len(pairs) == len(_PAIRS):
            entries.append(_separation(*pairs[LobeKind.INTAKE], *pairs[LobeKind.EXHAUST]))
    return WeighedEvents(tuple(entries), frozenset(used))


def _by_checking_lift(
    submission: Submission, model: MeasuringModel, level: float
) -> dict[tuple[float, At], dict[Event, _Seen]]:
    read: dict[tuple[float, At], dict[Event, list[tuple[int, float, float]]]] = defaultdict(lambda: defaultdict(list))
    for i, reading in enumerate(submission.readings):
        if reading.feature is not Feature.VALVE_EVENT or reading.event is None or reading.checking_lift is None:
            continue
        where = (float(reading.checking_lift) * float(submission.unit.mm), reading.at or At.LOBE)
        variance = spread_of_mean(reading, submission, model, level).sd ** 2
        read[where][reading.event].append((i, float(reading.mean), variance))
    return {where: {event: _pooled(each) for event, each in events.items()} for where, events in read.items()}


def _pooled(read: list[tuple[int, float, float]]) -> _Seen:
    weight = math.fsum(1 / variance for _, _, variance in read)
    mean = math.fsum(value / variance for _, value, variance in read) / weight
    return _Seen(mean, 1 / weight, tuple(i for i, _, _ in read))


def _duration(kind: LobeKind, opens: _Seen, closes: _Seen, checking_mm: float, at: At) -> Entry:
    at_valve = at is At.VALVE
    return Entry(
        EVENTS_POINTER,
        Truth.DURATION,
        ("duration", LOBES.index(kind), checking_mm, at_valve),
        opens.mean + 180 + closes.mean,
        math.sqrt(opens.variance + closes.variance),
        checking_lift_mm=checking_mm,
        at_valve=at_valve,
    )


def _separation(in_opens: _Seen, in_closes: _Seen, ex_opens: _Seen, ex_closes: _Seen) -> Entry:
    four = (in_opens, in_closes, ex_opens, ex_closes)
    return Entry(
        EVENTS_POINTER,
        Truth.SEPARATION,
        ("separation",),
        (360 + in_closes.mean - in_opens.mean + ex_opens.mean - ex_closes.mean) / 4,
        math.sqrt(math.fsum(seen.variance for seen in four)) / 4,
    )
