"""The lobes of one shaft taken together, given each zero of the grid: they share the undersize U.

Where every lobe was read with the gridded tool alone, zero and undersize enter as their difference s = Z - U, and one
grid of shifts serves both. Where tools are mixed on the lobes (a height by caliper over a base circle by
micrometer), zero and undersize move different readings and are kept apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.domain.arrays import Floats, Ints
from service.domain.readings import Instrument
from service.identification.catalogue_table.rows import Kind, Rows
from service.identification.likelihood.several_tools import several_tools
from service.identification.likelihood.shaft_readings import LobeReadings, ZeroWeights, of_chosen
from service.identification.likelihood.undersize import (
    MOST_SHIFTS,
    alike_spans,
    shift_bounds,
    steps_between_shifts,
    undersize_log_density,
    windows,
)
from service.identification.likelihood.variants import spread_over
from service.identification.measuring.model import MeasuringModel
from service.identification.numerics.densities import log_sum_exp
from service.identification.numerics.distinct import distinct, distinct_places
from service.identification.one_lobe.grids import MOST_NUMBERS, Grid
from service.identification.one_lobe.lobe_densities import lobe_densities
from service.identification.one_lobe.lobe_integral import Shifts


def shaft_log_density(
    rows: Rows,
    lobes: Sequence[LobeReadings],
    weights: ZeroWeights,
    grid: Grid,
    tool: Instrument | None,
    model: MeasuringModel,
) -> Floats:
    """Log-density of all lobes' entries and of what bears on the zero, zero and undersize summed over: (H, K)."""
    if not lobes:
        return weights.alone()
    of_lobes = np.stack([lobe.variants.of for lobe in lobes], axis=1)
    first, back = distinct_places(of_lobes)
    combinations = of_lobes[first]
    carrying = [e.tool is tool and tool is not None for lobe in lobes for e in lobe.widths()]
    result = np.empty((back.size, rows.size))
    made = np.flatnonzero(rows.kind == Kind.MADE)
    loose = np.flatnonzero(rows.kind != Kind.MADE)
    for index, loosely in ((made, False), (loose, True)):
        if not index.size:
            continue
        some = rows.take(index)
        here = [lobe.among(index) for lobe in lobes]
        of_zero = replace(weights, core_of_row=weights.core_of_row[index])
        if any(carrying) and not all(carrying):
            result[:, index] = several_tools(some, here, combinations, back, of_zero, grid, tool, model, loosely)
        else:
            if not any(carrying):
                # no lobe feels the zero: it is summed over first, and stays where it is
                total = log_sum_exp(of_zero.log_weight, axis=2)[..., None]
                of_zero = replace(of_zero, zeros=np.zeros(1), log_weight=total)
            result[:, index] = _one_tool(some, here, combinations, back, of_zero, grid, model, loosely)
    return result


@dataclass(frozen=True, eq=False)
class _Places:
    """K rows, told apart by what the weights of a shift depend on (C sorts) and by what the lobes see (P patterns).

    Rows of one pattern differ at most in their core, and in where its base circles lie as a whole: given where the
    lobe's own base circle lies, they are the same lobes. `sort_of` and `pattern_of` (K,) say whose is whose; `sorts`
    and `patterns` hold one row of each.
    """

    sorts: Ints
    sort_of: Ints
    patterns: Ints
    pattern_of: Ints
    anchor: Floats
    """(K,) mm: the base circle that the rows' shifts are counted from."""
    family_of: Ints
    """(P,): patterns whose base circles differ by one and the same amount, which can stand at the same shifts."""

    @classmethod
    def among(cls, rows: Rows, lobes: Sequence[LobeReadings], core_of_row: Ints, loosely: bool) -> _Places:
        """The sorts and patterns of `rows`; only where base circles are loose do they move as a whole."""
        anchor = np.zeros(rows.size)
        if loosely:
            anchor = np.where(np.isfinite(rows.base[:, 0]), rows.base[:, 0], rows.base[:, 1])
            anchor = np.where(np.isfinite(anchor), anchor, 0.0)
        kind = rows.kind.astype(float)
        apart = np.round(rows.base - anchor[:, None], _SAME_DECIMALS)
        sorts, sort_of = distinct(core_of_row.astype(float), kind, rows.undersize_sd, anchor, *apart.T)
        priors = {id(lobe.prior): lobe.prior for lobe in lobes}.values()
        seen = [(np.round(p.base - anchor, _SAME_DECIMALS), p.base_sd, p.lift, p.lift_sd) for p in priors]
        patterns, pattern_of = distinct(kind, *apart.T, *(column for columns in seen for column in columns))
        _, family_of = distinct(kind[patterns], *apart[patterns].T)
        return cls(sorts, sort_of, patterns, pattern_of, anchor, family_of)

    def of_patterns(self, low: Floats, high: Floats) -> tuple[Floats, Floats]:
        """What each pattern's rows leave open between them, from the base circle of the row that stands for it."""
        own = self.anchor[self.patterns]
        least, most = np.full(own.size, np.inf), np.full(own.size, -np.inf)
        np.minimum.at(least, self.pattern_of, low + self.anchor)
        np.maximum.at(most, self.pattern_of, high + self.anchor)
        return least - own, most - own


_SAME_DECIMALS = 9
"""Base circles that differ by less than a millionth of a micrometre are the same number written in another unit."""


def _one_tool(
    rows: Rows,
    lobes: Sequence[LobeReadings],
    combinations: Ints,
    back: Ints,
    weights: ZeroWeights,
    grid: Grid,
    model: MeasuringModel,
    loosely: bool,
) -> Floats:
    """Zero and undersize enter as their difference s = Z - U: one grid of shifts. (H, K)."""
    every = steps_between_shifts(rows, lobes, grid.step) if loosely else grid.apart
    result = np.empty((back.size, rows.size))
    places = _Places.among(rows, lobes, weights.core_of_row, loosely)
    patterns, seen = rows.take(places.patterns), [lobe.among(places.patterns) for lobe in lobes]
    own_weights = replace(weights, core_of_row=weights.core_of_row[places.sorts])
    sorts = rows.take(places.sorts)
    bounds = places.of_patterns(*shift_bounds(rows, weights.zeros, model))
    low, high = windows(seen, combinations, bounds, every * grid.step)
    free = np.flatnonzero(~np.isfinite(low).all(axis=1))
    if free.size:
        # no width was read, and so there is nothing that zero or undersize could move
        still = Shifts(np.zeros(patterns.size), 1, 1, grid.step, grid.coarse)
        at_rest = _lobes_at(patterns, seen, combinations[free], still)[..., 0][:, places.pattern_of]
        place = np.zeros(combinations.shape[0], np.int64)
        place[free] = np.arange(free.size)
        members = np.flatnonzero(np.isin(back, free))
        result[members] = weights.alone()[members] + at_rest[place[back[members]]]
    for chosen, first, count in _spans(low, high, places, weights.zeros, every * grid.step, loosely):
        # `first` is where each row's base circle, as shifted, begins: for all rows of a pattern in the same place
        shift = first[places.pattern_of] - places.anchor
        at = Shifts(shift[places.patterns], count, every, grid.step, grid.coarse)
        members = np.flatnonzero(np.isin(back, chosen))
        needed, of_needed = np.unique(weights.of[members], return_inverse=True)
        of_shift, top = _shift_weights(sorts, own_weights, needed, shift[places.sorts], count, grid, every, model)
        pieces = min(math.ceil(members.size * rows.size * count / MOST_NUMBERS), members.size)
        for few in np.array_split(np.argsort(back[members], kind="stable"), pieces):
            some, own = np.unique(back[members[few]], return_inverse=True)
            density = _lobes_at(patterns, seen, combinations[some], at)
            best = density.max(axis=2)
            best = np.where(np.isfinite(best), best, 0.0)
            linear = np.exp(density - best[..., None])
            total = _summed(of_shift[of_needed[few]], linear[own], places)
            with np.errstate(divide="ignore"):
                found = np.log(total)
            found += top[of_needed[few]][:, places.sort_of]
            found += best[own][:, places.pattern_of]
            result[members[few]] = found
    return result


_WORTH_A_PRODUCT = 8


def _summed(of_shift: Floats, linear: Floats, places: _Places) -> Floats:
    """Weights (H, C, S) times densities (H, P, S), summed over the shifts for each row's sort and pattern: (H, K)."""
    if of_shift.shape[1] * linear.shape[1] <= _WORTH_A_PRODUCT * places.sort_of.size:
        every_pair = np.matmul(of_shift, np.swapaxes(linear, 1, 2))
        return np.asarray(every_pair[:, places.sort_of, places.pattern_of])
    return np.asarray(np.einsum("hks,hks->hk", of_shift[:, places.sort_of], linear[:, places.pattern_of]))


def _spans(
    low: Floats, high: Floats, places: _Places, zeros: Floats, apart: float, loosely: bool
) -> Iterator[tuple[Ints, Floats, int]]:
    """(combinations, where each pattern's base circle begins, how many shifts `apart` from each other), in mm."""
    read = np.flatnonzero(np.isfinite(low).all(axis=1))
    if not loosely:
        # with no undersize the shift is the zero
        if read.size:
            yield read, np.full(low.shape[1], zeros[0]), zeros.size
        return
    anchor = places.anchor[places.patterns]
    low, high = low + anchor, high + anchor
    for chosen in alike_spans(low, high, read):
        size = int(places.family_of.max()) + 1
        first, last = np.full(size, np.inf), np.full(size, -np.inf)
        np.minimum.at(first, places.family_of, low[chosen].min(axis=0))
        np.maximum.at(last, places.family_of, high[chosen].max(axis=0))
        yield chosen, first[places.family_of], int(min(math.ceil((last - first).max() / apart) + 1, MOST_SHIFTS))


def _lobes_at(rows: Rows, lobes: Sequence[LobeReadings], chosen: Ints, at: Shifts) -> Floats:
    """Log-density of the chosen combinations' lobes at each shift: (combinations, K, S)."""
    density = np.zeros((chosen.shape[0], rows.size, at.count))
    needed = [of_chosen(lobe, chosen[:, column]) for column, lobe in enumerate(lobes)]
    each = lobe_densities([(sets, lobe.prior) for (sets, _), lobe in zip(needed, lobes, strict=True)], at)
    for values, (_, back) in zip(each, needed, strict=True):
        density += spread_over(values, back)
    return density


def _shift_weights(
    sorts: Rows,
    weights: ZeroWeights,
    needed: Ints,
    first: Floats,
    count: int,
    grid: Grid,
    every: int,
    model: MeasuringModel,
) -> tuple[Floats, Floats]:
    """How likely each shift is before the lobes: (needed, C, S) on a scale whose log is the second, (needed, C).

    The shifts of sort c are `first[c]` + n `every` steps. With no undersize the shift is the zero itself; otherwise it
    is the zero less the undersize, summed over the zeros.
    """
    log_weight = weights.log_weight[needed]
    top = log_weight.max(axis=2)
    top = np.where(np.isfinite(top), top, 0.0)
    linear = np.exp(log_weight - top[..., None])[:, weights.core_of_row]
    top = top[:, weights.core_of_row]
    if (sorts.kind == Kind.MADE).all():
        return linear, top
    # z_m - s_n takes only so many distinct values
    steps = grid.apart * np.arange(weights.zeros.size)[:, None] - every * np.arange(count)
    least = int(steps.min())
    undersize = (weights.zeros[0] - first)[:, None] + grid.step * np.arange(least, int(steps.max()) + 1)
    prior = np.exp(undersize_log_density(undersize, sorts, model)) * (every * grid.step)
    found = np.matmul(np.swapaxes(linear, 0, 1), prior[:, steps - least])
    return np.swapaxes(found, 0, 1), top
