"""What to ask for next: the reading with the largest expected information about the answer, net of its cost.

The information is the mutual information of the answer (which class, or none) and the reading's value, in bits,
averaged over what the value might be. A quick look with normals picks the most promising few; those are worked out
with the likelihood function itself, the reading added to what is already there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.domain.arrays import Floats, Ints
from service.domain.identification import NextReading
from service.domain.readings import Instrument, Reading, Submission
from service.identification.answer.asking import words_for
from service.identification.answer.expectation import expectation
from service.identification.answer.reading_options import (
    Leading,
    Option,
    leading,
    other_options,
    tools_of,
    width_options,
)
from service.identification.catalogue_table.rows import Kind
from service.identification.entries.entries import Entry, Truth, entry_of
from service.identification.likelihood.likelihood import log_likelihood
from service.identification.posterior import Posterior

_CHEAP_BITS = 0.10
_WORTH_BITS = 0.05
_PROMISING = 4
_HOPELESS = 0.6
"""What looks worth less than this share of the best so far is not worked out."""
_OFFSETS = np.array([-3.0, -2.0, -1.2, -0.6, 0.0, 0.6, 1.2, 2.0, 3.0])
_MOST_NODES = 40


def _undersize_seen(posterior: Posterior, rows: Ints) -> Floats:
    """How far the base circles read so far lie under each row's, in mm: where the next one of it is to be expected."""
    read = [e for e in posterior.entries[0][0] if e.truth is Truth.BASE]
    away = np.array([posterior.rows.base[rows, int(str(e.group[1]))] - e.mean for e in read]).reshape(-1, rows.size)
    known = np.isfinite(away)
    mean = np.where(known, away, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    return np.where(posterior.rows.kind[rows] == Kind.MADE, 0.0, mean)


def _predicted(posterior: Posterior, lead: Leading, e: Entry, reading: Reading) -> tuple[Floats, Floats]:
    """(mean, sd) of the reading's value under each leading row, NaN where the row says nothing: a quick look."""
    mean, sd = expectation(posterior, lead.rows, e, reading)
    if e.truth in (Truth.BASE, Truth.HEIGHT, Truth.FLANK):
        mean = mean - _undersize_seen(posterior, lead.rows)
        sd = np.minimum(sd, 0.2 if e.truth is Truth.FLANK else 0.1)
    return mean + e.sign * e.tail, np.sqrt(sd**2 + e.sd**2 + e.tail**2 + e.zero_sd**2)


def _information(share: Floats, side: Ints, density: Floats, weight: Floats) -> float:
    """Mutual information in bits of the side and a value, from densities (values, rows) and the values' weights."""
    mass = (density * weight[:, None]).sum(axis=0)
    told = mass > 1e-12
    if told.sum() < 1:
        return 0.0
    density = np.where(told, density / np.where(told, mass, 1.0), 1.0 / weight.sum())
    joint = density * share
    sides = np.unique(side)
    by_side = np.stack([joint[:, side == s].sum(axis=1) for s in sides], axis=1)
    prior = np.array([share[side == s].sum() for s in sides])
    total = by_side.sum(axis=1, keepdims=True)
    # a quotient of what is all but nothing first: a product of two such would be nothing at all
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = by_side * (np.log2(by_side / total) - np.log2(prior))
    return float(max(0.0, (np.where(by_side > 0, gain, 0.0) * weight[:, None]).sum()))


def _nodes(means: Floats, sds: Floats) -> tuple[Floats, Floats]:
    """Values to average over, dense where any row expects one, with trapezium weights."""
    known = np.isfinite(means)
    points = np.unique((means[known][:, None] + sds[known][:, None] * _OFFSETS).ravel())
    if points.size > _MOST_NODES:
        points = points[np.linspace(0, points.size - 1, _MOST_NODES).round().astype(int)]
    weight = np.gradient(points) if points.size > 1 else np.ones(1)
    return points, weight


def _quick(lead: Leading, means: Floats, sds: Floats) -> float:
    known = np.isfinite(means)
    if known.sum() < 2:
        return 0.0
    values, weight = _nodes(means, sds)
    with np.errstate(divide="ignore", invalid="ignore"):
        density = np.exp(-0.5 * ((values[:, None] - means) / sds) ** 2) / sds
    density = np.where(known, density, 1e-3)
    return _information(lead.share, lead.side, density, weight)


def _mixes_tools(known: tuple[Entry, ...], e: Entry) -> bool:
    """Whether a lobe would be read with two tools: a look ahead then takes every zero as its reading's own scatter."""
    if e.group[0] != "lobe":
        return False
    lobes = [k for k in known if k.group[0] == "lobe" and not k.drowns_its_zero]
    return any(k.tool is not e.tool for k in lobes)


@dataclass(frozen=True, eq=False)
class _Asked:
    """An option and the entry it would bring: what it might be, with weights for the average (n,); `net` at a look."""

    option: Option
    e: Entry
    values: Floats
    weight: Floats
    net: float = math.inf


def _worked_out(posterior: Posterior, lead: Leading, asked: Sequence[_Asked]) -> list[float]:
    """The information of each of `asked`, by the likelihood, under the likeliest slip and hand."""
    a, h = divmod(int(np.exp(posterior.log_weight).sum(axis=2).argmax()), len(posterior.slips))
    known = posterior.entries[a][h]
    rows = posterior.rows.take(lead.rows)
    bits = [0.0] * len(asked)
    # those that leave the same zeros to be followed are worked out together
    together: dict[tuple[bool, Instrument | None], list[int]] = {}
    tools = {k.tool for k in known}
    for i, one in enumerate(asked):
        together.setdefault((_mixes_tools(known, one.e), None if one.e.tool in tools else one.e.tool), []).append(i)
    for (mixed, _), some in together.items():
        ratio_sd = posterior.model.valve_ratio_sd
        taken = tuple(k.standing_alone(ratio_sd) for k in known) if mixed else known
        hypotheses = []
        for i in some:
            e = asked[i].e.standing_alone(ratio_sd) if mixed else asked[i].e
            hypotheses += [(*taken, replace(e, mean=float(v))) for v in asked[i].values]
        log_density = log_likelihood(posterior.table, rows, hypotheses, posterior.model, posterior.wear(a))
        ends = np.cumsum([asked[i].values.size for i in some])
        for i, added in zip(some, np.split(log_density, ends[:-1]), strict=True):
            top = added.max(axis=0)
            # each row's density is brought to a total of one later, so its scale is free
            density = np.where(np.isfinite(top), np.exp(added - np.where(np.isfinite(top), top, 0.0)), 0.0)
            bits[i] = _information(lead.share, lead.side, density, asked[i].weight)
    return bits


def _count(posterior: Posterior, lead: Leading, option: Option) -> _Asked:
    stated = posterior.table.teeth[posterior.rows.core[lead.rows]]
    counts = np.unique(stated[stated > 0]).astype(float)
    return _Asked(option, Entry("/counts/gear_teeth", Truth.TEETH, ("teeth",), 0.0, 0.0), counts, np.ones(counts.size))


def _zero_check(option: Option, e: Entry) -> _Asked:
    values = np.linspace(-6, 6, 25) * e.zero_sd
    return _Asked(option, e, values, np.full(values.size, values[1] - values[0]))


def _promising(posterior: Posterior, submission: Submission, lead: Leading) -> list[_Asked]:
    """What may be worth asking: counts and zero checks, then the readings that a quick look puts first, in order."""
    tools = tools_of(submission)
    a = int(np.exp(posterior.log_weight).sum(axis=(1, 2)).argmax())
    level = posterior.hands[a].level
    rated: list[tuple[float, Option, Entry, Floats, Floats]] = []
    found: list[_Asked] = []
    options = [*width_options(posterior, submission, lead, tools), *other_options(posterior, submission, lead, tools)]
    for option in options:
        if submission.tools is not None and option.instrument not in (None, *submission.tools):
            continue  # they have said what they have
        if option.reading is None:
            found.append(_count(posterior, lead, option))
            continue
        e = entry_of(len(submission.readings), option.reading, submission, posterior.model, level)
        if e is None:
            continue
        if e.truth is Truth.ZERO:
            found.append(_zero_check(option, e))
            continue
        means, sds = _predicted(posterior, lead, e, option.reading)
        rated.append((_quick(lead, means, sds) - option.cost_bits, option, e, means, sds))
    rated.sort(key=lambda r: -r[0])
    return [
        *found,
        *(_Asked(o, e, *_nodes(means, sds), net) for net, o, e, means, sds in rated[:_PROMISING] if net > 0),
    ]


def next_reading(posterior: Posterior, submission: Submission) -> tuple[NextReading | None, bool]:
    """(the reading to ask for, whether it is cheap to take), or (None, False) when nothing pays."""
    lead = leading(posterior)
    if np.unique(lead.side).size < 2:
        return None, False
    asked = _promising(posterior, submission, lead)
    best, best_net, best_bits = None, 0.0, 0.0
    for one, bits in zip(asked, _worked_out(posterior, lead, asked), strict=True):
        net = bits - one.option.cost_bits
        if one.net < _HOPELESS * best_net:
            break  # the quick look is not that far out
        if bits >= _WORTH_BITS and net > best_net:
            best, best_net, best_bits = one.option, net, bits
    if best is None:
        return None, False
    return _as_next(best, best_bits, submission), best.cost_bits <= _CHEAP_BITS


def _as_next(option: Option, bits: float, submission: Submission) -> NextReading:
    reading = option.reading
    checking_mm = None
    if reading is not None and reading.checking_lift is not None:
        checking_mm = float(reading.checking_lift * submission.unit.mm)
    return NextReading(
        feature=str(option.feature),
        instrument=option.instrument,
        expected_bits=bits,
        message=words_for(option.feature, option.instrument, reading, submission.unit),
        lobe=reading.lobe if reading else None,
        position=reading.position if reading else None,
        checking_lift_mm=checking_mm,
        degrees=reading.degrees if reading else None,
    )
