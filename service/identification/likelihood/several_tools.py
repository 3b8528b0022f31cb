"""The lobes of one shaft read with several tools: zero and undersize move different readings and are kept apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from service.domain.arrays import Floats, Ints
from service.domain.readings import Instrument
from service.identification.catalogue_table.rows import Rows
from service.identification.entries.entries import Entry, Truth
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
from service.identification.one_lobe.grids import MOST_NUMBERS, Grid, in_pieces
from service.identification.one_lobe.lobe_densities import lobe_densities
from service.identification.one_lobe.lobe_integral import LobePrior, Shifts
from service.identification.one_lobe.mixed_lobe import mixed_lobe_density


def several_tools(
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
            values = _at_zeros_and_undersizes(lobe.variants.sets, lobe.prior, tool, weights.zeros, still, grid)
            density += spread_over(values[..., 0], combinations[:, column])
    of_zero = weights.log_weight[:, weights.core_of_row][weights.of]
    return np.asarray(log_sum_exp(density[back] + of_zero, axis=2))


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
    low, high = windows(lobes, combinations, shift_bounds(rows, zeros, model), grid.step)
    every = steps_between_shifts(rows, lobes, grid.step)
    for chosen in alike_spans(low, high, np.flatnonzero(np.isfinite(low).all(axis=1))):
        # the shift is less the undersize; what the zero takes is added to the window
        first, last = low[chosen].min(axis=0) - zeros[-1], high[chosen].max(axis=0) - zeros[0]
        count = int(min(np.ceil((last - first).max() / (every * grid.step)) + 1, MOST_SHIFTS))
        pieces = math.ceil(rows.size * count * zeros.size / MOST_NUMBERS)
        for few in np.array_split(np.arange(rows.size), min(pieces, rows.size)):
            at = Shifts(first[few], count, every, grid.step, grid.coarse)
            seen = [lobe.among(few) for lobe in lobes]
            work = partial(_sum_mixed, rows.take(few), seen, zeros=zeros, at=at, grid=grid, tool=tool, model=model)
            result[np.ix_(chosen, few)] = in_pieces(work, combinations[chosen], few.size * count * zeros.size)
    return result


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
    density = np.zeros((chosen.shape[0], rows.size, zeros.size, at.count))
    for column, lobe in enumerate(lobes):
        sets, back = of_chosen(lobe, chosen[:, column])
        if sets:
            values = _at_zeros_and_undersizes(sets, lobe.prior, tool, zeros, at, grid)
            density += spread_over(values, back)
    prior = np.exp(undersize_log_density(-at.each, rows, model)) * (at.every * at.step)
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
        return mixed_lobe_density(sets, prior, tool, zeros, at, grid)
    # z_m + s_n takes only so many distinct values
    fine = Shifts(at.first + zeros[0], (zeros.size - 1) * grid.apart + (at.count - 1) * at.every + 1, 1, at.step)
    values = lobe_densities([(sets, prior)], replace(fine, coarse=at.coarse))[0]
    which = grid.apart * np.arange(zeros.size)[:, None] + at.every * np.arange(at.count)
    return np.asarray(values[:, :, which])
