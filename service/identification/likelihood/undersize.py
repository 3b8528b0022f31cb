"""How far a shaft's base circles may be off by one amount: its prior, and the shifts worth following."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.special import gammaln

from service.domain.arrays import Floats, Ints
from service.identification.catalogue_table.rows import Kind, Rows
from service.identification.entries.entries import Truth
from service.identification.likelihood.shaft_readings import LobeReadings
from service.identification.measuring.model import MeasuringModel
from service.identification.numerics.densities import log_normal
from service.identification.one_lobe.grids import SPREADS, STEP_PER_WIDTH, TAILS, EntryTable

MOST_SHIFTS = 2000


_SMOOTH_MM = 0.1


def undersize_log_density(undersize: Floats, rows: Rows, model: MeasuringModel) -> Floats:
    """Log-density of U for each row; `undersize` (K, n)."""
    shape = (model.regrind_undersize_mean / model.regrind_undersize_sd) ** 2
    scale = model.regrind_undersize_mean / shape
    positive = np.maximum(undersize, 1e-12)
    gamma = (shape - 1) * np.log(positive) - positive / scale - float(gammaln(shape)) - shape * math.log(scale)
    gamma = np.where(undersize > 0, gamma, -np.inf)
    spread = np.where(rows.undersize_sd > 0, rows.undersize_sd, 1.0)[:, None]
    return np.where((rows.kind == Kind.STRANGER)[:, None], log_normal(undersize, spread), gamma)


def shift_bounds(rows: Rows, zeros: Floats, model: MeasuringModel) -> tuple[Floats, Floats]:
    """(least, most) shift s = Z - U that the undersize's prior makes worth following, for each row.

    1e-7 of a regrind's undersize lies beyond, 2e-6 of a stranger's.
    """
    spread = 4.8 * rows.undersize_sd
    stranger = rows.kind == Kind.STRANGER
    most = model.regrind_undersize_mean + 12 * model.regrind_undersize_sd
    return zeros[0] - np.where(stranger, spread, most), zeros[-1] + np.where(stranger, spread, 0.0)


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


def windows(
    lobes: Sequence[LobeReadings], combinations: Ints, bounds: tuple[Floats, Floats], step: float
) -> tuple[Floats, Floats]:
    """Where a combination's lobes and each row's `bounds` let the shift lie: two arrays (combinations, K).

    Infinite where the combination reads no lobe.
    """
    least, most = bounds
    shape = (combinations.shape[0], least.size)
    low, high = np.full(shape, -np.inf), np.full(shape, np.inf)
    for column, lobe in enumerate(lobes):
        v_low, v_high = _window(lobe)
        which = combinations[:, column]
        read = (which >= 0)[:, None]
        low = np.where(read, np.maximum(low, v_low[which]), low)
        high = np.where(read, np.minimum(high, v_high[which]), high)
    read_any = np.isfinite(low) & np.isfinite(high)
    low = np.where(read_any, np.maximum(low, least), low)
    high = np.where(read_any, np.minimum(high, most), high)
    with np.errstate(invalid="ignore"):
        middle = (low + high) / 2
    empty = high <= low
    return np.where(empty, middle - step, low), np.where(empty, middle + step, high)


def steps_between_shifts(rows: Rows, lobes: Sequence[LobeReadings], step: float) -> int:
    """Steps of the grid between shifts: as wide as the lobes' own spreads allow."""
    sds = rows.base_sd[np.isfinite(rows.base_sd)]
    sd = float(sds.min(initial=1.0))
    sharpest = min((e.sd for lobe in lobes for e in lobe.widths()), default=sd)
    width = math.hypot(sd, sharpest) / math.sqrt(len(lobes))
    # nor coarser than the undersize's own density, which is smooth over a tenth of a millimetre
    return max(1, int(STEP_PER_WIDTH * min(width, _SMOOTH_MM) / step))


def alike_spans(low: Floats, high: Floats, members: Ints) -> list[Ints]:
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
