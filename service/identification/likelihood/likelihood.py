"""The one likelihood function: what every weight, evidence row, next reading and look-alike is worked out with.

The model it computes, exactly up to the grid's step
----------------------------------------------------
*Truths* of a row (one part under one hypothesis of its making, see `rows.py`); N is a standard normal:

    journal       J = J0 + sdJ N - Exp(wear_journal)
    base circle   B = B0 + sdB N - U           one N a lobe; U one value a shaft
    lobe lift     L = L0 + sdL N - Exp(wear_nose)
    height        H = B + L
    flank width   B + s of the part at the two places, see `flank.py`, + N; as a lobe of its own
    length, separation, duration               a normal each
    lift table                                 `table_evidence.py`, given the part or a stranger

The nose's wear carries the shaft's own factor where many lobes were read (`entries.hands`). `U` is 0 for a part as
made; for a reground one Gamma of mean `regrind_undersize_mean` and standard deviation `regrind_undersize_sd`; for a
stranger Normal(0, its own spread). Wear is 0 on a new shaft. Every lobe (kind and cylinder) and every journal position
has its own N and wear.

*Entries* (see `entries.py`): the mean of one entry's repeats is

    r = truth + Z + bias + sign * Exp(technique) + Normal(0, sd)

with `Z` the tool's zero, one value a tool: with probability 1 - zero_bad_share Normal(0, zero_sd), else
Normal(0, zero_bad_factor * zero_sd). A zero check is r = reference + Z + Normal(0, sd). A valve lift v read with
ratio q and lash a is the lift entry (v + a) / q of truth L (1 + Q), Q ~ Normal(0, valve_ratio_sd) one value a
submission (taken at L = r). The scatter of an entry's repeats about their mean is normal and the same for all rows.

How it is computed
------------------
Given Z and U the lobes and journals are independent, and each is an integral over its own truth of a product of
one-dimensional densities. All integrals run over uniform grids of one step h (the trapezium rule on a smooth,
vanishing integrand converges like exp(-2 pi^2 w^2 / h^2) for a width w), so that shifting by Z or U is moving by
whole steps:

    lobe      G(s) = sum_i A_i Normal(x_i - s - B0; sdB),   A_i = sum_j p(l_j) ML_j MB_i MH_(i+j)   with s = Z - U
    journal   F(Z) = sum_i M_i EMG(x_i - Z - J0)

where the tables M are products of the entries' densities and do not depend on the row. The grid carries the zero of
the tool that matters most; the zeros of further tools and Q are summed over Gauss-Hermite nodes outside.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.domain.arrays import Floats
from service.domain.readings import Instrument
from service.identification.catalogue_table.rows import Kind, Rows
from service.identification.catalogue_table.table import CatalogueTable
from service.identification.entries.entries import Entry, GroupKey, Truth
from service.identification.entries.entry_lists import EntryLists
from service.identification.likelihood.claims import claim_log_density
from service.identification.likelihood.nodes import spread_over_nodes, within_means, zero_nodes
from service.identification.likelihood.priors import core_width, lobe_prior
from service.identification.likelihood.shaft_integral import shaft_log_density
from service.identification.likelihood.shaft_readings import LobeReadings, ZeroWeights
from service.identification.likelihood.variants import Variants, grouped, spread_over
from service.identification.measuring.model import MeasuringModel
from service.identification.numerics.densities import log_normal, log_sum_exp
from service.identification.numerics.distinct import distinct_places
from service.identification.one_lobe.flank import flank_width
from service.identification.one_lobe.grids import STEP_PER_WIDTH, Grid
from service.identification.one_lobe.lobe_integral import Shifts, lift_density, width_density
from service.identification.one_lobe.mixed_lobe import mixed_width_density

_WIDTHS = (Truth.JOURNAL, Truth.BASE, Truth.HEIGHT, Truth.LENGTH, Truth.FLANK)
_ROWS_AT_ONCE = 2048
_IMPOSSIBLE = -1e6
"""The least log-likelihood: beyond it a density is a rounded zero, and differences of infinities say nothing."""


@dataclass(frozen=True)
class _Making:
    """The least spreads of making among the rows and cores at hand, in mm."""

    journal: float
    base: float
    lift: float

    @classmethod
    def among(cls, table: CatalogueTable, rows: Rows, model: MeasuringModel) -> _Making:
        made = rows.kind == Kind.MADE
        journals = table.journal_sd[np.unique(rows.core[rows.core >= 0])]
        least = (
            min(usual, float(np.min(stated[np.isfinite(stated)], initial=np.inf)))
            for usual, stated in (
                (model.journal_making_sd, journals),
                (model.base_making_sd, rows.base_sd[made]),
                (model.lift_making_sd, rows.lift_sd[made]),
            )
        )
        return cls(*least)

    def own(self, truth: Truth) -> float:
        """The narrowest prior that an integral over this truth runs over."""
        if truth in (Truth.HEIGHT, Truth.LIFT):
            return self.lift
        return self.base if truth in (Truth.BASE, Truth.FLANK) else self.journal

    def beside(self, truth: Truth) -> float:
        """How far the truth strays, as a reading of the tool's zero sees it."""
        return math.hypot(self.base, self.lift) if truth is Truth.HEIGHT else self.own(truth)


def _steps(hypotheses: EntryLists, tool: Instrument | None, zero_sd: float, making: _Making) -> tuple[float, int, int]:
    """(step in mm, steps at a time of the lobes' own integrals, steps between the zeros of the grid).

    Either the lobes or the zeros take single steps, whichever needs the finer grid: the zeros do where many readings
    of one tool share them, the lobes where a finer tool than the one on the grid has read them.
    """
    of_key: dict[tuple[GroupKey, Truth], list[int]] = {}
    for i, e in enumerate(hypotheses.pool):
        if e.truth in _WIDTHS or e.truth is Truth.LIFT:
            of_key.setdefault((e.group, e.truth), []).append(i)
    # a hypothesis of fewer entries says less, and needs no finer grid
    size = (hypotheses.of >= 0).sum(axis=1)
    full = hypotheses.of[size == size.max(initial=0)]
    own = shared = min(making.base, making.lift)
    seen = np.zeros(full.shape[0])
    precision, carried = np.zeros((2, len(hypotheses.pool) + 1))
    for (_, truth), places in of_key.items():
        precision[:], carried[:] = 0.0, 0.0
        for i in places:
            e = hypotheses.pool[i]
            precision[i] = 1 / e.sd**2
            if e.tool is tool:
                carried[i] = precision[i]
        own = min(own, 1 / math.sqrt(1 / making.own(truth) ** 2 + float(precision[full].sum(axis=1).max(initial=0.0))))
        weight = carried[full].sum(axis=1)
        seen += weight / (weight * making.beside(truth) ** 2 + 1)
    if zero_sd and seen.any():
        shared = min(shared, 1 / math.sqrt(1 / zero_sd**2 + float(seen.max())))
    if shared >= own:
        return STEP_PER_WIDTH * own, 1, max(1, int(shared / own))
    coarse = math.ceil(own / shared)
    return STEP_PER_WIDTH * own / coarse, coarse, 1


def log_likelihood(
    table: CatalogueTable,
    rows: Rows,
    hypotheses: EntryLists | Sequence[Sequence[Entry]],
    model: MeasuringModel,
    wear: float | Sequence[float],
) -> Floats:
    """Log-likelihood of each hypothesis' entries under each row: (H, K), natural logs, never NaN.

    A hypothesis is the list of entries it holds to be what was read (a slip put right, a reading left out, one added).
    An `Entry` object that occurs in several hypotheses is worked out once. `wear` is the factor on the mean nose wear,
    for all hypotheses or for each; 0 for a new shaft.
    """
    lists = EntryLists.holding(hypotheses)
    wears = np.broadcast_to(np.asarray(wear, float), len(lists))
    factors = set(wears.tolist())
    if len(factors) == 1:
        return _of_one_wear(table, rows, lists, model, factors.pop())
    result = np.empty((len(lists), rows.size))
    for factor in sorted(factors):
        some = np.flatnonzero(wears == factor)
        result[some] = _of_one_wear(table, rows, lists.at(lists.of[some]), model, factor)
    return result


def _of_one_wear(
    table: CatalogueTable, rows: Rows, hypotheses: EntryLists, model: MeasuringModel, wear: float
) -> Floats:
    solids = np.flatnonzero(rows.kind != Kind.NONSENSE)
    result = np.empty((len(hypotheses), rows.size))
    if solids.size:
        plan = spread_over_nodes(within_means(hypotheses, rows.size, model), model)
        for real in np.array_split(solids, math.ceil(solids.size / _ROWS_AT_ONCE)):
            solid = rows.take(real)
            inner = _given_nodes(table, solid, plan.hypotheses, plan.tool, plan.tool_zero_sd, model, wear)
            nodes = inner.reshape(len(plan.log_weights), len(hypotheses), solid.size) + plan.log_weights[:, None, None]
            result[:, real] = np.maximum(log_sum_exp(nodes, axis=0), _IMPOSSIBLE)
    nonsense = np.flatnonzero(rows.kind == Kind.NONSENSE)
    if nonsense.size:
        result[:, nonsense] = hypotheses.total([*map(_nonsense_log_density, hypotheses.pool)])[:, None]
    # the same for every row, however wild the repeats: what a row cannot be must not be drowned by it
    return np.asarray(result + hypotheses.own_log_density[:, None])


def _nonsense_log_density(e: Entry) -> float:
    """A reading that means nothing: sizes log-uniform over four decades, angles flat over two turns."""
    if e.truth in (*_WIDTHS, Truth.LIFT):
        return -math.log(max(abs(e.mean), 1e-3) * math.log(1e4))
    if e.truth is Truth.ZERO:
        return float(log_normal(np.array(e.mean), max(e.zero_sd, e.sd) * 10))
    if e.truth is Truth.TABLE:
        return e.per_stranger
    flat_over = {Truth.SEPARATION: 720.0, Truth.DURATION: 720.0, Truth.TEETH: 100.0, Truth.FAMILY: 20.0}
    return -math.log(flat_over[e.truth])


def _given_nodes(
    table: CatalogueTable,
    rows: Rows,
    hypotheses: EntryLists,
    tool: Instrument | None,
    zero_sd: float,
    model: MeasuringModel,
    wear: float,
) -> Floats:
    """Log-likelihood (H, K) when every zero but that of `tool` is known: the grids over Z and U."""
    groups = grouped(hypotheses)
    step, coarse, apart = _steps(hypotheses, tool, zero_sd, _Making.among(table, rows, model))
    zeros, log_weight = zero_nodes(zero_sd, step * apart, model) if tool is not None else (np.zeros(1), np.zeros(1))
    n_h = len(hypotheses)
    free = np.zeros((n_h, rows.size))
    nose_wear = model.nose_wear_mean * wear
    cores, core_of_row = np.unique(rows.core, return_inverse=True)
    shared = [variants for key, variants in groups.items() if key[0] in ("journal", "length", "zero")]
    of_shared = np.stack([v.of for v in shared], axis=1) if shared else np.zeros((n_h, 1), np.int64)
    first, of_hypothesis = distinct_places(of_shared)
    distinct = of_shared[first]
    over_zero: Floats = np.broadcast_to(log_weight, (distinct.shape[0], cores.size, zeros.size))
    for column, variants in enumerate(shared):
        if variants.key[0] == "zero":
            values = np.stack([_zero_check(s, zeros, tool) for s in variants.sets])[:, None]
        else:
            mean, sd, core_wear = core_width(table, cores, variants.key, model, wear > 0)
            values = _core_density(variants.sets, mean, sd, core_wear, zeros, (step, apart), tool)
        over_zero = over_zero + spread_over(values, distinct[:, column])
    lobes: list[LobeReadings] = []
    for key, variants in groups.items():
        if variants in shared:
            continue
        if key[0] == "flank":
            lobes.append(LobeReadings(_as_base_circles(variants), flank_width(table, rows, key, model)))
            continue
        if key[0] != "lobe":
            free += variants.spread(claim_log_density(table, rows, key, variants.sets, model))
            continue
        prior, cost = lobe_prior(rows, int(str(key[1])), nose_wear)
        free += np.where((variants.of >= 0)[:, None], cost[None], 0.0)
        if any(e.truth in (Truth.BASE, Truth.HEIGHT) for s in variants.sets for e in s):
            lobes.append(LobeReadings(variants, prior))
        else:
            free += variants.spread(lift_density(variants.sets, prior, step * coarse))
    weights = ZeroWeights(zeros, over_zero, of_hypothesis, core_of_row)
    free += shaft_log_density(rows, lobes, weights, Grid(step, coarse, apart), tool, model)
    return free


def _as_base_circles(variants: Variants) -> Variants:
    """Flank widths as the base circles that they are to zero and undersize."""
    sets = [tuple(replace(e, truth=Truth.BASE) for e in s) for s in variants.sets]
    return Variants(variants.key, sets, variants.of)


def _zero_check(entries: Sequence[Entry], zeros: Floats, tool: Instrument | None) -> Floats:
    """Log-density of zero checks at each zero of the grid: (M,). Another tool's are already moved by its node."""
    total = np.zeros(zeros.size)
    for e in entries:
        total += log_normal(e.mean - (zeros if e.tool is tool else np.zeros(1)), e.sd)
    return total


def _core_density(
    sets: list[tuple[Entry, ...]],
    mean: Floats,
    sd: Floats,
    wear: float,
    zeros: Floats,
    steps: tuple[float, int],
    tool: Instrument | None,
) -> Floats:
    """Log-density of a journal's or the length's entries at each zero: (V, C, M), or (V, C, 1) if no zero matters."""
    step, apart = steps
    carried = [e.tool is tool for s in sets for e in s]
    if all(carried):
        at = Shifts(np.full(mean.size, zeros[0]), zeros.size, apart, step)
    elif not any(carried):
        at = Shifts(np.zeros(mean.size), 1, 1, step)
    else:
        return mixed_width_density(sets, mean, sd, wear, tool, zeros, step)
    return width_density(sets, mean, sd, wear, at)
