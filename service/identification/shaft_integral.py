"""The lobes of one shaft taken together, given each zero of the grid: they share the undersize U.

Where every lobe was read with the gridded tool alone, zero and undersize enter as their difference s = Z - U, and one
grid of shifts serves both. Where tools are mixed on the lobes (a height by caliper over a base circle by
micrometer), zero and undersize move different readings and are kept apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy.special import gammaln

from service.domain.readings import Instrument
from service.identification.densities import log_normal, log_sum_exp
from service.identification.entries import Entry, Truth
from service.identification.grids import MOST_NUMBERS, SPREADS, STEP_PER_WIDTH, TAILS, EntryTable, Grid, in_pieces
from service.identification.lobe_integral import LobePrior, Shifts, lobe_densities
from service.identification.measuring import MeasuringModel
from service.identification.mixed_lobe import mixed_lobe_density
from service.identification.rows import Kind, Rows
from service.identification.table import Floats, Ints
from service.identification.variants import Variants, spread_over

_MOST_SHIFTS = 2000
_SMOOTH_MM = 0.1


@dataclass(frozen=True, eq=False)
class LobeReadings:
    """What was read on one lobe under every hypothesis, and what the rows say of it."""

    variants: Variants
    prior: LobePrior

    def among(self, index: Ints) -> LobeReadings:
        """The same for some of the rows."""
        p = self.prior
        return LobeReadings(
            self.variants, LobePrior(p.base[index], p.base_sd[index], p.lift[index], p.lift_sd[index], p.wear)
        )

    def widths(self) -> list[Entry]:
        """Every width entry that any hypothesis holds."""
        return [e for s in self.variants.sets for e in s if e.truth in (Truth.BASE, Truth.HEIGHT)]


@dataclass(frozen=True, eq=False)
class ZeroWeights:
    """What journals, zero checks and the tool itself say of the zero, for each core and each zero of the grid.

    `log_weight` (J, C, M); hypothesis h has `of[h]` of the J; row k stands on core `core_of_row[k]` of the C.
    """

    zeros: Floats
    log_weight: Floats
    of: Ints
    core_of_row: Ints

    def alone(self) -> Floats:
        """Summed over the zeros, as where no lobe was read: (H, K)."""
        return np.asarray(log_sum_exp(self.log_weight, axis=2)[self.of][:, self.core_of_row])


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
    combinations, back = np.unique(np.stack([lobe.variants.of for lobe in lobes], axis=1), axis=0, return_inverse=True)
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
            result[:, index] = _several_tools(some, here, combinations, back, of_zero, grid, tool, model, loosely)
        else:
            if not any(carrying):
                # no lobe feels the zero: it is summed over first, and stays where it is
                total = log_sum_exp(of_zero.log_weight, axis=2)[..., None]
                of_zero = replace(of_zero, zeros=np.zeros(1), log_weight=total)
            result[:, index] = _one_tool(some, here, combinations, back, of_zero, grid, model, loosely)
    return result


def _several_tools(
    rows: Rows,
    lobes: Sequence[LobeReadings],
    combinations: Ints,
    back: Ints,
    weights: ZeroWeights,
    grid: Grid,
    tool: Instrument | None,
    model: MeasuringModel,
    loosely: bool,
) -> Floats:
    """Zero and undersize move different readings: lobes at every zero, (combinations, K, M), then summed over it."""
    if loosely:
        density = _with_undersize(rows, lobes, combinations, weights.zeros, grid, tool, model)
    else:
        density = np.zeros((combinations.shape[0], rows.size, weights.zeros.size))
        still = Shifts(np.zeros(rows.size), 1, 1, grid.step, grid.coarse)
        for column, lobe in enumerate(lobes):
            values = _at_zeros_and_undersizes(
                lobe.variants.sets, lobe.prior, tool, weights.zeros, np.zeros((rows.size, 1)), still, grid
            )
            density += spread_over(values[..., 0], combinations[:, column])
    of_zero = weights.log_weight[:, weights.core_of_row][weights.of]
    return np.asarray(log_sum_exp(density[back] + of_zero, axis=2))


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
    every = _every(rows, lobes, grid.step) if loosely else grid.apart
    result = np.empty((back.size, rows.size))
    low, high = _windows(rows, lobes, combinations, weights.zeros, every * grid.step, model)
    alike, of_row = _alike(rows, weights.core_of_row)
    free = np.flatnonzero(~np.isfinite(low).all(axis=1))
    if free.size:
        # no width was read, and so there is nothing that zero or undersize could move
        at_rest = _lobes_at(rows, lobes, combinations[free], Shifts(np.zeros(rows.size), 1, 1, grid.step, grid.coarse))
        place = np.zeros(combinations.shape[0], np.int64)
        place[free] = np.arange(free.size)
        members = np.flatnonzero(np.isin(back, free))
        result[members] = weights.alone()[members] + at_rest[place[back[members]], :, 0]
    for chosen, first, count in _spans(low, high, of_row, weights.zeros, every * grid.step, loosely):
        at = Shifts(weights.zeros[0] + every * grid.step * first, count, every, grid.step, grid.coarse)
        members = np.flatnonzero(np.isin(back, chosen))
        needed, of_needed = np.unique(weights.of[members], return_inverse=True)
        own_weights = replace(weights, core_of_row=weights.core_of_row[alike])
        of_shift, top = _shift_weights(rows.take(alike), own_weights, needed, first[alike], count, grid, every, model)
        of_shift, top = of_shift[:, of_row], top[:, of_row]
        pieces = math.ceil(members.size * rows.size * count / MOST_NUMBERS)
        for few in np.array_split(np.argsort(back[members], kind="stable"), pieces):
            some, own = np.unique(back[members[few]], return_inverse=True)
            density = _lobes_at(rows, lobes, combinations[some], at)
            best = density.max(axis=2)
            best = np.where(np.isfinite(best), best, 0.0)
            linear = np.exp(density - best[..., None])
            total = np.einsum("hks,hks->hk", of_shift[of_needed[few]], linear[own])
            with np.errstate(divide="ignore"):
                result[members[few]] = np.log(total) + top[of_needed[few]] + best[own]
    return result


def _alike(rows: Rows, core_of_row: Ints) -> tuple[Ints, Ints]:
    """(one row of each sort, each row's sort): rows of a sort differ in their lifts alone."""
    sort = np.stack([core_of_row.astype(float), rows.kind.astype(float), rows.undersize_sd, *rows.base.T])
    order = np.lexsort(sort)
    sorted_ = sort[:, order]
    with np.errstate(invalid="ignore"):
        new = ~((sorted_[:, 1:] == sorted_[:, :-1]) | (np.isnan(sorted_[:, 1:]) & np.isnan(sorted_[:, :-1]))).all(
            axis=0
        )
    begins = np.concatenate([[True], new])
    of_row = np.empty(rows.size, np.int64)
    of_row[order] = np.cumsum(begins) - 1
    return order[begins], of_row


def _spans(
    low: Floats, high: Floats, of_row: Ints, zeros: Floats, apart: float, loosely: bool
) -> Iterator[tuple[Ints, Ints, int]]:
    """(combinations, each row's first shift from the zeros' first, how many shifts): `apart` from each other, in mm.

    Rows of one sort take the same shifts.
    """
    read = np.flatnonzero(np.isfinite(low).all(axis=1))
    if not loosely:
        # with no undersize the shift is the zero
        if read.size:
            yield read, np.zeros(low.shape[1], np.int64), zeros.size
        return
    for chosen in _clusters(low, high, read):
        first, last = np.full(of_row.max() + 1, np.inf), np.full(of_row.max() + 1, -np.inf)
        np.minimum.at(first, of_row, low[chosen].min(axis=0))
        np.maximum.at(last, of_row, high[chosen].max(axis=0))
        begin = np.floor((first - zeros[0]) / apart).astype(np.int64)
        end = np.ceil((last - zeros[0]) / apart).astype(np.int64)
        yield chosen, begin[of_row], int(min((end - begin).max() + 1, _MOST_SHIFTS))


def _lobes_at(rows: Rows, lobes: Sequence[LobeReadings], chosen: Ints, at: Shifts) -> Floats:
    """Log-density of the chosen combinations' lobes at each shift: (combinations, K, S)."""
    density = np.zeros((chosen.shape[0], rows.size, at.count))
    needed = [_of_chosen(lobe, chosen[:, column]) for column, lobe in enumerate(lobes)]
    each = lobe_densities([(sets, lobe.prior) for (sets, _), lobe in zip(needed, lobes, strict=True)], at)
    for values, (_, back) in zip(each, needed, strict=True):
        density += spread_over(values, back)
    return density


def _shift_weights(
    rows: Rows,
    weights: ZeroWeights,
    needed: Ints,
    first: Ints,
    count: int,
    grid: Grid,
    every: int,
    model: MeasuringModel,
) -> tuple[Floats, Floats]:
    """How likely each shift is before the lobes: (needed, K, S) on a scale whose log is the second, (needed, K).

    Row k's shifts are the zeros' first plus (`first[k]` + n) `every` steps. With no undersize the shift is the zero
    itself; otherwise it is the zero less the undersize, summed over the zeros: once for each core and kind of row.
    """
    n_z = weights.zeros.size
    log_weight = weights.log_weight[needed]
    top = log_weight.max(axis=2)
    top = np.where(np.isfinite(top), top, 0.0)
    linear = np.exp(log_weight - top[..., None])
    if (rows.kind == Kind.MADE).all():
        return linear[:, weights.core_of_row], top[:, weights.core_of_row]
    steps = every * (first[:, None] + np.arange(count))
    least, most = -steps[:, -1], grid.apart * (n_z - 1) - steps[:, 0]
    span = np.arange(int((most - least).max()) + 1, dtype=float)
    undersize: Floats = grid.step * (least[:, None] + span)
    prior = np.exp(undersize_log_density(undersize, rows, model)) * (every * grid.step)
    away = grid.apart * np.arange(n_z)[:, None] - steps[:, None] - least[:, None, None]
    at_each = np.take_along_axis(prior, away.reshape(rows.size, -1), axis=1).reshape(away.shape)
    found = np.matmul(np.swapaxes(linear[:, weights.core_of_row], 0, 1), at_each)
    return np.swapaxes(found, 0, 1), top[:, weights.core_of_row]


def undersize_log_density(undersize: Floats, rows: Rows, model: MeasuringModel) -> Floats:
    """Log-density of U for each row; `undersize` (K, n)."""
    shape = (model.regrind_undersize_mean / model.regrind_undersize_sd) ** 2
    scale = model.regrind_undersize_mean / shape
    positive = np.maximum(undersize, 1e-12)
    gamma = (shape - 1) * np.log(positive) - positive / scale - float(gammaln(shape)) - shape * math.log(scale)
    gamma = np.where(undersize > 0, gamma, -np.inf)
    spread = np.where(rows.undersize_sd > 0, rows.undersize_sd, 1.0)[:, None]
    return np.where((rows.kind == Kind.STRANGER)[:, None], log_normal(undersize, spread), gamma)


def _undersize_range(rows: Rows, model: MeasuringModel) -> tuple[Floats, Floats]:
    """(least, most) undersize worth following, a row: 1e-7 of a regrind's prior lies beyond, 2e-6 of a stranger's."""
    spread = 4.8 * rows.undersize_sd
    stranger = rows.kind == Kind.STRANGER
    most = model.regrind_undersize_mean + 12 * model.regrind_undersize_sd
    return np.where(stranger, -spread, 0.0), np.where(stranger, spread, most)


def _window(lobe: LobeReadings) -> tuple[Floats, Floats]:
    """Where a lobe's entries let the shift s = Z - U lie, for each variant and row: two arrays (V, K)."""
    prior = lobe.prior
    sets = lobe.variants.sets
    bases = EntryTable.of([tuple(e for e in s if e.truth is Truth.BASE) for s in sets])
    heights = EntryTable.of([tuple(e for e in s if e.truth is Truth.HEIGHT) for s in sets])
    base_low, base_high = bases.truth_range()
    height_low, height_high = heights.truth_range()
    reach = SPREADS * prior.base_sd
    both = SPREADS * np.hypot(prior.base_sd, prior.lift_sd)
    low = np.maximum(base_low[:, None] - prior.base - reach, height_low[:, None] - prior.base - prior.lift - both)
    high = np.minimum(
        base_high[:, None] - prior.base + reach,
        height_high[:, None] - prior.base - prior.lift + both + TAILS * prior.wear,
    )
    return low, high


def _windows(
    rows: Rows, lobes: Sequence[LobeReadings], combinations: Ints, zeros: Floats, step: float, model: MeasuringModel
) -> tuple[Floats, Floats]:
    """Where a combination's lobes and the undersize's prior let the shift lie: two arrays (combinations, K).

    Infinite where the combination reads no lobe.
    """
    shape = (combinations.shape[0], rows.size)
    low, high = np.full(shape, -np.inf), np.full(shape, np.inf)
    for column, lobe in enumerate(lobes):
        v_low, v_high = _window(lobe)
        which = combinations[:, column]
        read = (which >= 0)[:, None]
        low = np.where(read, np.maximum(low, v_low[which]), low)
        high = np.where(read, np.minimum(high, v_high[which]), high)
    least, most = _undersize_range(rows, model)
    read_any = np.isfinite(low) & np.isfinite(high)
    low = np.where(read_any, np.maximum(low, zeros[0] - most), low)
    high = np.where(read_any, np.minimum(high, zeros[-1] - least), high)
    with np.errstate(invalid="ignore"):
        middle = (low + high) / 2
    empty = high <= low
    return np.where(empty, middle - step, low), np.where(empty, middle + step, high)


def _every(rows: Rows, lobes: Sequence[LobeReadings], step: float) -> int:
    """Steps of the grid between shifts: as wide as the lobes' own spreads allow."""
    sds = rows.base_sd[np.isfinite(rows.base_sd)]
    sd = float(sds.min(initial=1.0))
    sharpest = min((e.sd for lobe in lobes for e in lobe.widths()), default=sd)
    width = math.hypot(sd, sharpest) / math.sqrt(len(lobes))
    # nor coarser than the undersize's own density, which is smooth over a tenth of a millimetre
    return max(1, int(STEP_PER_WIDTH * min(width, _SMOOTH_MM) / step))


def _with_undersize(
    rows: Rows,
    lobes: Sequence[LobeReadings],
    combinations: Ints,
    zeros: Floats,
    grid: Grid,
    tool: Instrument | None,
    model: MeasuringModel,
) -> Floats:
    """Rows whose base circles are off by one unknown amount, that amount summed over: (combinations, K, M)."""
    result = np.zeros((combinations.shape[0], rows.size, zeros.size))
    low, high = _windows(rows, lobes, combinations, zeros, grid.step, model)
    every = _every(rows, lobes, grid.step)
    for chosen in _clusters(low, high, np.flatnonzero(np.isfinite(low).all(axis=1))):
        # the shift is less the undersize; what the zero takes is added to the window
        first, last = low[chosen].min(axis=0) - zeros[-1], high[chosen].max(axis=0) - zeros[0]
        count = int(min(np.ceil((last - first).max() / (every * grid.step)) + 1, _MOST_SHIFTS))
        at = Shifts(first, count, every, grid.step, grid.coarse)
        work = partial(_sum_mixed, rows, lobes, zeros=zeros, at=at, grid=grid, tool=tool, model=model)
        result[chosen] = in_pieces(work, combinations[chosen], rows.size * count * zeros.size)
    return result


def _of_chosen(lobe: LobeReadings, which: Ints) -> tuple[list[tuple[Entry, ...]], Ints]:
    """The variants that the chosen combinations need, and where each combination finds its own (-1: not read)."""
    needed, back = np.unique(which, return_inverse=True)
    offset = int(needed[0] < 0)
    return [lobe.variants.sets[i] for i in needed if i >= 0], np.asarray(back).ravel() - offset


def _sum_mixed(
    rows: Rows,
    lobes: Sequence[LobeReadings],
    chosen: Ints,
    zeros: Floats,
    at: Shifts,
    grid: Grid,
    tool: Instrument | None,
    model: MeasuringModel,
) -> Floats:
    shift = at.first[:, None] + at.every * at.step * np.arange(at.count)
    density = np.zeros((chosen.shape[0], rows.size, zeros.size, at.count))
    for column, lobe in enumerate(lobes):
        sets, back = _of_chosen(lobe, chosen[:, column])
        if sets:
            values = _at_zeros_and_undersizes(sets, lobe.prior, tool, zeros, shift, at, grid)
            density += spread_over(values, back)
    prior = np.exp(undersize_log_density(-shift, rows, model)) * (at.every * at.step)
    top = density.max(axis=(2, 3), keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    summed = np.einsum("hkmn,kn->hkm", np.exp(density - top), prior)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(summed) + top[..., 0])


def _at_zeros_and_undersizes(
    sets: list[tuple[Entry, ...]],
    prior: LobePrior,
    tool: Instrument | None,
    zeros: Floats,
    shift: Floats,
    at: Shifts,
    grid: Grid,
) -> Floats:
    """Log-density of one lobe's entries at every zero and every shift -U: (V, K, M, S).

    A lobe that one tool has read feels only the zero less the undersize, or only the undersize.
    """
    carried = [e.tool is tool for s in sets for e in s if e.truth in (Truth.BASE, Truth.HEIGHT)]
    if not any(carried):
        return lobe_densities([(sets, prior)], at)[0][:, :, None, :]
    if not all(carried):
        return mixed_lobe_density(sets, prior, tool, zeros, -shift, grid)
    # z_m + s_n takes only so many distinct values
    fine = Shifts(at.first + zeros[0], (zeros.size - 1) * grid.apart + (at.count - 1) * at.every + 1, 1, at.step)
    values = lobe_densities([(sets, prior)], replace(fine, coarse=at.coarse))[0]
    which = grid.apart * np.arange(zeros.size)[:, None] + at.every * np.arange(at.count)
    return np.asarray(values[:, :, which])


def _clusters(low: Floats, high: Floats, members: Ints) -> list[Ints]:
    """Combinations whose windows nearly coincide, so that one grid of shifts serves them all."""
    if members.size == 0:
        return []
    start, width = low.mean(axis=1), (high - low).max(axis=1)
    size = np.round(np.log2(width))
    order = members[np.lexsort((start[members], size[members]))]
    found: list[list[int]] = []
    end = -np.inf
    for i in (int(m) for m in order):
        reach = max(end, float(start[i] + width[i]))
        if (
            found
            and size[i] <= size[found[-1][0]] + 1
            and reach - start[found[-1][0]] <= 1.6 * max(width[found[-1][0]], width[i])
        ):
            found[-1].append(i)
            end = reach
        else:
            found.append([i])
            end = float(start[i] + width[i])
    return [np.array(c, np.int64) for c in found]
