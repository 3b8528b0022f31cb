"""What is shared over a whole submission besides the undersize: the tools' zeros and the rocker ratio's error.

One tool's zero is carried on the likelihood's own grid (it is nearly free there); whatever else is shared is summed
over Gauss-Hermite nodes, each node a copy of the hypotheses with the entries moved, or, where a tool took but one
reading, with its spread widened. `spread_over_nodes` decides.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from service.domain.arrays import Floats
from service.domain.readings import Instrument
from service.identification.entries.entries import Entry, Truth
from service.identification.entries.entry_lists import EntryLists
from service.identification.measuring.model import MeasuringModel
from service.identification.numerics.densities import log_normal
from service.identification.numerics.distinct import distinct_places

_MOST_RATIO_NODES = 60
_ZERO_NODES = 5
_FEW_NODES = 3
_REACH, _BAD_REACH = 5.0, 3.6
"""How many standard deviations out a zero is followed: 6e-7 of a usual one's lies beyond, 3e-5 of a bad one's."""
_FINE = 0.5
_LOBE_WIDTHS = (Truth.BASE, Truth.HEIGHT, Truth.FLANK)
_OF_LOBES = (*_LOBE_WIDTHS, Truth.LIFT)
_MOST_WORK = 60_000.0
"""The most shifts of zeros times rows that several tools on the lobes may ask for."""
_USUAL_LOBES = 5
"""Both kinds on two cylinders, and one more. Many more are read by no caller, and each is worked out for every zero
followed: with three tools that is a hundred times, which no number of rows makes cheap."""
_MOST_NODES = 1_000_000.0
"""The most hypotheses times rows times nodes."""
_MOST_COMBINATIONS = 130
"""Nodes of everything shared taken together; tools beyond it stand alone, the least spread first."""


@dataclass(frozen=True, eq=False)
class Plan:
    """Hypotheses spread over nodes: node-major, so `hypotheses[n * H + h]`. `log_weights` (nodes,) sum to one.

    `tool` is the one whose zero stays on the grid; its entries are not moved.
    """

    hypotheses: EntryLists
    log_weights: Floats
    tool: Instrument | None
    tool_zero_sd: float


Node = tuple[float, float, float]
"""(value, spread about it, weight): a spread stands for what nothing else shares."""


def zero_log_density(zero: Floats, sd: float, model: MeasuringModel) -> Floats:
    """Log-density of a tool's zero: mostly well kept, sometimes far off."""
    usual = np.asarray(log_normal(zero, sd) + np.log1p(-model.zero_bad_share))
    if model.zero_bad_share <= 0:
        return usual
    return np.asarray(np.logaddexp(usual, log_normal(zero, sd * model.zero_bad_factor) + np.log(model.zero_bad_share)))


def zero_nodes(sd: float, step: float, model: MeasuringModel) -> tuple[Floats, Floats]:
    """A uniform grid over a tool's zero and the log weights of its nodes (they sum to one)."""
    reach = max(_BAD_REACH * model.zero_bad_factor if model.zero_bad_share > 0 else 0.0, _REACH)
    half = int(np.ceil(reach * sd / step))
    zeros: Floats = step * np.arange(-half, half + 1, dtype=float)
    log_weight = zero_log_density(zeros, sd, model)
    return zeros, np.asarray(log_weight - np.log(np.exp(log_weight).sum()))


def _normal_nodes(sd: float, count: int) -> list[Node]:
    x, w = np.polynomial.hermite_e.hermegauss(count)
    return [(float(a) * sd, 0.0, float(b)) for a, b in zip(x, w / w.sum(), strict=True)]


def _ratio_nodes(hypotheses: EntryLists, model: MeasuringModel) -> list[Node]:
    """Nodes of the rocker ratio's error, close enough together for the sharpest valve lift."""
    lifts = [e for e in hypotheses.pool if e.shares_ratio]
    width = min(float(np.hypot(e.sd, model.lift_making_sd)) / max(abs(e.mean), 0.1) for e in lifts)
    sd = model.valve_ratio_sd
    half = int(np.ceil(_REACH * sd / min(0.75 * width, sd)))
    values = np.linspace(-_REACH * sd, _REACH * sd, 2 * min(half, _MOST_RATIO_NODES) + 1)
    weight = np.exp(-0.5 * (values / sd) ** 2)
    return [(float(v), 0.0, float(w)) for v, w in zip(values, weight / weight.sum(), strict=True)]


def _tool_nodes(sd: float, model: MeasuringModel, alone: bool) -> list[Node]:
    """Nodes of a further tool's zero; a fine tool's mixture, which hardly matters beside making, as one normal.

    The zero of a tool that took but one reading is that reading's `alone`: well kept or far off, it is scatter.
    """
    if alone:
        bad = model.zero_bad_share
        states = [(0.0, sd, 1 - bad), (0.0, sd * model.zero_bad_factor, bad)]
        return [state for state in states if state[2] > 0]
    if sd * model.zero_bad_factor < _FINE * model.base_making_sd:
        return _normal_nodes(sd * float(np.sqrt(1 + model.zero_bad_share * (model.zero_bad_factor**2 - 1))), _FEW_NODES)
    usual = [(z, s, w * (1 - model.zero_bad_share)) for z, s, w in _normal_nodes(sd, _ZERO_NODES)]
    off = [(z, s, w * model.zero_bad_share) for z, s, w in _normal_nodes(sd * model.zero_bad_factor, _ZERO_NODES)]
    return usual + off if model.zero_bad_share > 0 else usual


def _carries(e: Entry) -> bool:
    return e.tool is not None and e.truth is not Truth.ZERO


def _with_one_tool(hypotheses: EntryLists) -> EntryLists:
    """Lobe widths whose scatter drowns their tool's zero take the zero of the tool that read the rest.

    It makes no difference to them, and spares the lobes being worked out for several tools.
    """
    widths = [e for e in hypotheses.pool if e.truth in _LOBE_WIDTHS]
    keen = {e.tool: e.zero_sd for e in widths if not e.drowns_its_zero}
    if len(keen) > 1 or all(not e.drowns_its_zero for e in widths):
        return hypotheses
    tool, zero_sd = next(iter(keen.items()), (None, 0.0))

    def settled(e: Entry) -> Entry:
        if e.truth not in _LOBE_WIDTHS or not e.drowns_its_zero or e.tool is tool:
            return e
        return replace(e, tool=tool, zero_sd=zero_sd)

    return hypotheses.each(settled)


def tools_on_lobes(hypotheses: EntryLists) -> dict[Instrument | None, float]:
    """The tools whose zeros matter to the lobes' widths, each with its zero's standard deviation in mm."""
    widths = (e for e in hypotheses.pool if e.truth in _LOBE_WIDTHS)
    return {e.tool: e.zero_sd for e in widths if not e.drowns_its_zero}


def shares_ratio(hypotheses: EntryLists) -> bool:
    """Whether valve lifts share the rocker ratio's error, which is then summed over node by node."""
    return hypotheses.most(_shares_ratio) > 1


def within_means(hypotheses: EntryLists, rows: int, model: MeasuringModel) -> EntryLists:
    """The hypotheses; where following the zeros of several tools would cost too much, with every zero standing alone.

    That takes a tool's zero as its readings' own scatter: the spreads stay right, only what readings share is lost. It
    happens with several tools on the lobes and either very many slips, subsets, rows or lobes, or one tool far finer
    than another.
    """
    zero_sds = tools_on_lobes(hypotheses)
    work, crowded = 0.0, False
    if len(zero_sds) > 1:
        of_lobes = hypotheses.where(lambda e: e.truth in _OF_LOBES)
        different, _ = distinct_places(np.where(of_lobes[hypotheses.of], hypotheses.of, -1))
        finest = min(e.sd for e in hypotheses.pool if e.truth in _LOBE_WIDTHS)
        zeros = 2 * _BAD_REACH * model.zero_bad_factor * max(zero_sds.values()) / finest
        lobes = len({e.group for e in hypotheses.pool if e.truth in _LOBE_WIDTHS})
        work = different.size * rows * zeros * 2 ** len(zero_sds) * max(1.0, lobes / _USUAL_LOBES) ** 2
        crowded = len(zero_sds) > 2 and lobes > _USUAL_LOBES
    tools = {e.tool for e in hypotheses.pool if _carries(e)}
    ratio = shares_ratio(hypotheses)
    nodes = min((2 * _ZERO_NODES) ** max(len(tools) - 1, 0), _MOST_COMBINATIONS) * (_MOST_RATIO_NODES if ratio else 1)
    bounded = not crowded and work < _MOST_WORK and len(hypotheses) * rows * nodes < _MOST_NODES
    if bounded or (len(tools) < 2 and not ratio):
        return hypotheses
    return hypotheses.each(lambda e: e if e.truth is Truth.ZERO else e.standing_alone(model.valve_ratio_sd))


def _shares_ratio(e: Entry) -> bool:
    return e.shares_ratio


def spread_over_nodes(hypotheses: EntryLists, model: MeasuringModel) -> Plan:
    """Decide which zero stays on the grid and copy the hypotheses over the nodes of what else is shared."""
    hypotheses = _with_one_tool(hypotheses)
    carrying = [e for e in hypotheses.pool if _carries(e)]
    zero_sds = {e.tool: e.zero_sd for e in carrying if e.tool is not None}
    # a zero check of a tool that read nothing else says nothing
    kept = hypotheses.without(lambda e: e.truth is Truth.ZERO and e.tool not in zero_sds)
    tool = _on_the_grid(hypotheses, zero_sds)
    noded: list[tuple[Instrument | None, list[Node]]] = []
    shares_ratio = kept.most(_shares_ratio)
    if shares_ratio > 1:
        noded.append((None, _ratio_nodes(kept, model)))
    elif shares_ratio == 1:
        kept = kept.each(lambda e: _with_ratio_spread(e, model))
    total = math.prod(len(nodes) for _, nodes in noded)
    left = set()
    for t, sd in sorted(zero_sds.items(), key=lambda item: (-item[1], str(item[0]))):
        nodes = [] if t is tool else _tool_nodes(sd, model, _reads_one(kept, t))
        if nodes and total * len(nodes) <= _MOST_COMBINATIONS:
            noded.append((t, nodes))
            total *= len(nodes)
        elif nodes:
            left.add(t)
    if left:
        kept = kept.without(lambda e: e.truth is Truth.ZERO and e.tool in left)
        kept = kept.each(lambda e: e.standing_alone(0.0) if e.tool in left else e)
    if not noded:
        return Plan(kept, np.zeros(1), tool, zero_sds[tool] if tool else 0.0)
    pool, of, weights = list(kept.pool), [], []
    for combination in itertools.product(*(nodes for _, nodes in noded)):
        by_tool = {t: node[:2] for (t, _), node in zip(noded, combination, strict=True)}
        weights.append(math.prod(w for _, _, w in combination))
        place = np.arange(-1, len(kept.pool))
        for i, e in enumerate(kept.pool):
            moved = _moved(e, by_tool)
            if moved is not e:
                place[i + 1] = len(pool)
                pool.append(moved)
        of.append(place[kept.of + 1])
    spread = EntryLists(tuple(pool), np.empty((0, 0), np.int64)).at(np.concatenate(of))
    return Plan(spread, np.log(weights), tool, zero_sds[tool] if tool else 0.0)


def _on_the_grid(hypotheses: EntryLists, zero_sds: Mapping[Instrument, float]) -> Instrument | None:
    """The tool whose zero is the least known; of several, the one that read most."""
    if len(zero_sds) < 2:
        return next(iter(zero_sds), None)
    count = {
        t: float(hypotheses.total([float(e.tool is t and _carries(e)) for e in hypotheses.pool]).sum())
        for t in zero_sds
    }
    return max(zero_sds, key=lambda t: (zero_sds[t], count[t]))


def _reads_one(hypotheses: EntryLists, tool: Instrument) -> bool:
    """Whether `tool` has but one entry, a zero check counted, in every hypothesis."""
    return hypotheses.most(lambda e: e.tool is tool) < 2


_NOT_SHARED = (0.0, 0.0)


def _moved(e: Entry, by_tool: Mapping[Instrument | None, tuple[float, float]]) -> Entry:
    """`e` with its tool's zero (or the rocker ratio's error) at this node taken out; `e` itself where that is none."""
    by, sd = by_tool.get(None if e.shares_ratio else e.tool, _NOT_SHARED) if e.shares_ratio or e.tool else _NOT_SHARED
    if e.shares_ratio:
        by *= e.mean
    return e if by == 0.0 and sd == 0.0 else replace(e, mean=e.mean - by, sd=math.hypot(e.sd, sd))


def _with_ratio_spread(e: Entry, model: MeasuringModel) -> Entry:
    """A lone valve lift: the rocker ratio's error is its own, so it joins the entry's spread."""
    return replace(e, sd=float(np.hypot(e.sd, e.mean * model.valve_ratio_sd))) if e.shares_ratio else e
