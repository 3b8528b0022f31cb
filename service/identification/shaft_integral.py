"""The lobes of one shaft taken together, given each zero of the grid: they share the undersize U.

Where every lobe was read with the gridded tool alone, zero and undersize enter as their difference s = Z - U, and one
grid of shifts serves both. Where tools are mixed on the lobes (a height by caliper over a base circle by
micrometer), zero and undersize move different readings and are kept apart.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.special import gammaln

from service.domain.readings import Instrument
from service.identification.densities import log_normal
from service.identification.entries import Entry, Truth
from service.identification.grids import SPREADS, STEP_PER_WIDTH, TAILS, EntryTable, Grid, in_pieces
from service.identification.lobe_integral import LobePrior, Shifts, lobe_density
from service.identification.measuring import MeasuringModel
from service.identification.mixed_lobe import mixed_lobe_density
from service.identification.rows import Kind, Rows
from service.identification.table import Floats, Ints
from service.identification.variants import Variants

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


def lobes_log_density(
    rows: Rows,
    lobes: Sequence[LobeReadings],
    zeros: Floats,
    grid: Grid,
    tool: Instrument | None,
    model: MeasuringModel,
) -> Floats:
    """Log-density of all lobes' entries at each zero of the grid: (H, K, M), or (H, K, 1) when no lobe carries it."""
    combinations, back = np.unique(np.stack([lobe.variants.of for lobe in lobes], axis=1), axis=0, return_inverse=True)
    carrying = [e.tool is tool and tool is not None for lobe in lobes for e in lobe.widths()]
    mixed = any(carrying) and not all(carrying)
    z = zeros if any(carrying) else np.zeros(1)
    made = np.flatnonzero(rows.kind == Kind.MADE)
    loose = np.flatnonzero(rows.kind != Kind.MADE)
    result = np.empty((combinations.shape[0], rows.size, z.size))
    for index, loosely in ((made, False), (loose, True)):
        if not index.size:
            continue
        some = rows.take(index)
        here = [lobe.among(index) for lobe in lobes]
        if not loosely:
            result[:, index] = _as_made(some, here, combinations, z, grid, tool if mixed else None)
        else:
            result[:, index] = _with_undersize(some, here, combinations, z, grid, tool if mixed else None, model)
    return result[back.ravel()]


def _spread(values: Floats, sets: Ints) -> Floats:
    """One value a variant to one a combination; zeros where the lobe was not read (-1)."""
    padded = np.concatenate([values, np.zeros((1, *values.shape[1:]))])
    return np.asarray(padded[sets])


def _as_made(
    rows: Rows, lobes: Sequence[LobeReadings], combinations: Ints, zeros: Floats, grid: Grid, mixed: Instrument | None
) -> Floats:
    """Rows with no undersize: (combinations, K, M)."""
    total = np.zeros((combinations.shape[0], rows.size, zeros.size))
    at = Shifts(np.full(rows.size, zeros[0]), zeros.size, grid.apart, grid.step, grid.coarse)
    for column, lobe in enumerate(lobes):
        if mixed is None:
            values = lobe_density(lobe.variants.sets, lobe.prior, at)
        else:
            none = np.zeros((rows.size, 1))
            values = mixed_lobe_density(lobe.variants.sets, lobe.prior, mixed, zeros, none, grid)[..., 0]
        total += _spread(values, combinations[:, column])
    return total


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
    mixed: Instrument | None,
    model: MeasuringModel,
) -> Floats:
    """Rows whose base circles are off by one unknown amount, that amount summed over: (combinations, K, M)."""
    result = np.zeros((combinations.shape[0], rows.size, zeros.size))
    low, high = _windows(rows, lobes, combinations, zeros, grid.step, model)
    every = _every(rows, lobes, grid.step)
    summed = partial(_sum_mixed, tool=mixed) if mixed is not None else _sum_shifted
    for chosen in _clusters(low, high, np.flatnonzero(np.isfinite(low).all(axis=1))):
        first, last = low[chosen].min(axis=0), high[chosen].max(axis=0)
        if mixed is not None:
            # the shift is less the undersize; what the zero takes is added to the window
            first, last = first - zeros[-1], last - zeros[0]
        count = int(min(np.ceil((last - first).max() / (every * grid.step)) + 1, _MOST_SHIFTS))
        at = Shifts(first, count, every, grid.step, grid.coarse)
        each = rows.size * count * (zeros.size if mixed is not None else 1)
        work = partial(summed, rows, lobes, zeros=zeros, at=at, grid=grid, model=model)
        result[chosen] = in_pieces(work, combinations[chosen], each)
    return result


def _of_chosen(lobe: LobeReadings, which: Ints) -> tuple[list[tuple[Entry, ...]], Ints]:
    """The variants that the chosen combinations need, and where each combination finds its own (-1: not read)."""
    needed, back = np.unique(which, return_inverse=True)
    offset = int(needed[0] < 0)
    return [lobe.variants.sets[i] for i in needed if i >= 0], np.asarray(back).ravel() - offset


def _sum_shifted(
    rows: Rows,
    lobes: Sequence[LobeReadings],
    chosen: Ints,
    zeros: Floats,
    at: Shifts,
    grid: Grid,
    model: MeasuringModel,
) -> Floats:
    """Every lobe carries the gridded zero or none does: one grid of shifts."""
    density = np.zeros((chosen.shape[0], rows.size, at.count))
    for column, lobe in enumerate(lobes):
        sets, back = _of_chosen(lobe, chosen[:, column])
        if sets:
            density += _spread(lobe_density(sets, lobe.prior, at), back)
    # z_m - s_n takes only M + (count - 1) every distinct values, so U's density is worked out on those
    span = (at.count - 1) * at.every
    index = np.arange((zeros.size - 1) * grid.apart + 1 + span) - span
    distinct = (zeros[0] - at.first)[:, None] + at.step * index
    prior = np.exp(undersize_log_density(distinct, rows, model)) * (at.every * at.step)
    which = grid.apart * np.arange(zeros.size)[:, None] + at.every * (at.count - 1 - np.arange(at.count))[None]
    top = density.max(axis=2, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    linear = np.exp(density - top)
    summed = np.matmul(np.swapaxes(linear, 0, 1), np.swapaxes(prior[:, which], 1, 2))
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.swapaxes(summed, 0, 1)) + top)


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
            density += _spread(mixed_lobe_density(sets, lobe.prior, tool, zeros, -shift, grid), back)
    prior = np.exp(undersize_log_density(-shift, rows, model)) * (at.every * at.step)
    top = density.max(axis=(2, 3), keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    summed = np.einsum("hkmn,kn->hkm", np.exp(density - top), prior)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(summed) + top[..., 0])


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
            and size[i] == size[found[-1][0]]
            and reach - start[found[-1][0]] <= 1.6 * max(width[found[-1][0]], width[i])
        ):
            found[-1].append(i)
            end = reach
        else:
            found.append([i])
            end = float(start[i] + width[i])
    return [np.array(c, np.int64) for c in found]
