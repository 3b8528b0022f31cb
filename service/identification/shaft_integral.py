"""The lobes of one shaft taken together, given each zero of the grid: they share the undersize U.

Where every lobe was read with the gridded tool alone, zero and undersize enter as their difference s = Z - U, and one
grid of shifts serves both. Where tools are mixed on the lobes (a height by caliper over a base circle by
micrometer), zero and undersize move different readings and are kept apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from service.domain.readings import Instrument
from service.identification.densities import log_sum_exp
from service.identification.grids import MOST_NUMBERS, Grid
from service.identification.lobe_densities import lobe_densities
from service.identification.lobe_integral import Shifts
from service.identification.measuring import MeasuringModel
from service.identification.rows import Kind, Rows
from service.identification.several_tools import several_tools
from service.identification.shaft_readings import LobeReadings, ZeroWeights, of_chosen
from service.identification.table import Floats, Ints
from service.identification.undersize import (
    MOST_SHIFTS,
    alike_spans,
    steps_between_shifts,
    undersize_log_density,
    windows,
)
from service.identification.variants import spread_over


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
            result[:, index] = several_tools(some, here, combinations, back, of_zero, grid, tool, model, loosely)
        else:
            if not any(carrying):
                # no lobe feels the zero: it is summed over first, and stays where it is
                total = log_sum_exp(of_zero.log_weight, axis=2)[..., None]
                of_zero = replace(of_zero, zeros=np.zeros(1), log_weight=total)
            result[:, index] = _one_tool(some, here, combinations, back, of_zero, grid, model, loosely)
    return result


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
    low, high = windows(rows, lobes, combinations, weights.zeros, every * grid.step, model)
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
    for chosen in alike_spans(low, high, read):
        first, last = np.full(of_row.max() + 1, np.inf), np.full(of_row.max() + 1, -np.inf)
        np.minimum.at(first, of_row, low[chosen].min(axis=0))
        np.maximum.at(last, of_row, high[chosen].max(axis=0))
        begin = np.floor((first - zeros[0]) / apart).astype(np.int64)
        end = np.ceil((last - zeros[0]) / apart).astype(np.int64)
        yield chosen, begin[of_row], int(min((end - begin).max() + 1, MOST_SHIFTS))


def _lobes_at(rows: Rows, lobes: Sequence[LobeReadings], chosen: Ints, at: Shifts) -> Floats:
    """Log-density of the chosen combinations' lobes at each shift: (combinations, K, S)."""
    density = np.zeros((chosen.shape[0], rows.size, at.count))
    needed = [of_chosen(lobe, chosen[:, column]) for column, lobe in enumerate(lobes)]
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
