"""The integrals over one lobe or one journal read with several tools, one of which carries the zero on the grid.

The zero moves only that tool's readings, the undersize moves the base circle itself, so the result has an axis for
each: (V, K, M, S), variant, row, zero z_m and shift s_n = -u_n (uniform grids). With b = B0 + s + making:

    G(z_m, s_n) = sum_i Normal(x_i - B0 - s_n; sdB) MBo_i MBm_(i+m) sum_j p(l_j) ML_j MHo_(i+j) MHm_(i+j+m)

where m tables belong to the tool on the grid and o tables to the others. A journal or the length has no undersize.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from service.domain.arrays import Floats
from service.domain.readings import Instrument
from service.identification.entries.entries import Entry, Truth
from service.identification.numerics.densities import log_emg, log_normal
from service.identification.one_lobe.grids import (
    MOST_NODES,
    SPREADS,
    TAILS,
    EntryTable,
    Grid,
    alike_widths,
    coarser,
    in_pieces,
    nodes_between,
    offsets,
)
from service.identification.one_lobe.lobe_integral import LobePrior, Shifts, lift_density


@dataclass(frozen=True, eq=False)
class _Given:
    """What a lobe's readings are worked out at: each zero (M,) of `tool`, each of the K rows' shifts, on a grid."""

    tool: Instrument | None
    zeros: Floats
    at: Shifts
    grid: Grid

    def result(self, variants: int) -> Floats:
        """Room for a density of each of so many variants, all zero: (V, K, M, S)."""
        return np.zeros((variants, self.at.first.size, self.zeros.size, self.at.count))


def _tables(variants: Sequence[Sequence[Entry]], truth: Truth, tool: Instrument | None, moving: bool) -> EntryTable:
    return EntryTable.of([tuple(e for e in s if e.truth is truth and (e.tool is tool) is moving) for s in variants])


def _ranges(tables: dict[str, EntryTable], prior: LobePrior, given: _Given) -> tuple[Floats, Floats, Floats, Floats]:
    """(base low, base high, lift low, lift high) that entries, rows, zeros and undersizes leave possible, each (V,)."""
    reach = SPREADS * prior.base_sd
    base_low = (prior.base + given.at.first - reach).min()
    base_high = (prior.base + given.at.first + given.at.span + reach).max()
    lift_low = (prior.lift - SPREADS * prior.lift_sd - TAILS * prior.wear).min()
    lift_high = (prior.lift + SPREADS * prior.lift_sd).max()
    lows, highs = {}, {}
    for name, table in tables.items():
        low, high = table.truth_range()
        if name.endswith("moving"):
            low, high = low - given.zeros[-1], high - given.zeros[0]
        lows[name], highs[name] = low, high
    low_b = np.maximum(np.maximum(lows["base"], lows["base moving"]), base_low)
    high_b = np.minimum(np.minimum(highs["base"], highs["base moving"]), base_high)
    low_h = np.maximum(lows["height"], lows["height moving"])
    high_h = np.minimum(highs["height"], highs["height moving"])
    low_l = np.maximum(np.maximum(lows["lift"], lift_low), low_h - high_b)
    high_l = np.minimum(np.minimum(highs["lift"], lift_high), high_h - low_b)
    low_b, high_b = np.maximum(low_b, low_h - high_l), np.minimum(high_b, high_h - low_l)
    return low_b, high_b, low_l, high_l


def _scaled(table: EntryTable, first: Floats, n: int, step: float) -> tuple[Floats, Floats]:
    log_table = table.log_table(first, n, step)
    top = log_table.max(axis=-1)
    return np.exp(log_table - top[:, None]), top


def _at_zeros(table: Floats, reach: int, apart: int) -> Floats:
    """A table on the fine grid, as it stands at each zero: one axis more, the zeros', `apart` steps apart."""
    return sliding_window_view(table, reach, axis=-1)[..., ::apart]


def mixed_width_density(
    variants: Sequence[Sequence[Entry]],
    mean: Floats,
    sd: Floats,
    wear: float,
    tool: Instrument | None,
    zeros: Floats,
    step: float,
) -> Floats:
    """Log-density of width entries on truths mean_k + sd_k N - Exp(`wear`) at every zero of `tool`: (V, K, M)."""
    still = EntryTable.of([tuple(e for e in s if e.tool is not tool) for s in variants])
    moving = EntryTable.of([tuple(e for e in s if e.tool is tool) for s in variants])
    still_low, still_high = still.truth_range()
    moving_low, moving_high = moving.truth_range()
    low = np.maximum(np.maximum(still_low, moving_low - zeros[-1]), (mean - SPREADS * sd - TAILS * wear).min())
    high = np.minimum(np.minimum(still_high, moving_high - zeros[0]), (mean + SPREADS * sd).max())
    high = np.maximum(high, low)
    step = step * coarser(1, low, high, step)
    first, n = nodes_between(low, high, step)
    still_table, still_top = _scaled(still, first, n, step)
    n_z = zeros.size
    at_zeros = moving.at_zeros(zeros).log_table(np.repeat(first, n_z), n, step).reshape(len(variants), n_z, n)
    moving_top = at_zeros.max(axis=(1, 2))
    tables = np.exp(at_zeros - moving_top[:, None, None]) * still_table[:, None]
    at = first[:, None] + step * np.arange(n)
    prior = np.exp(log_emg(at[:, None] - mean[None, :, None], sd[None, :, None], wear, -1))
    with np.errstate(divide="ignore"):
        log_density = np.log(np.matmul(prior, np.swapaxes(tables, 1, 2)) * step)
    return np.asarray(log_density + (still_top + moving_top)[:, None, None])


def mixed_lobe_density(
    variants: Sequence[Sequence[Entry]],
    prior: LobePrior,
    tool: Instrument | None,
    zeros: Floats,
    at: Shifts,
    grid: Grid,
) -> Floats:
    """Log-density of one lobe's entries at every zero and every shift of the base circle: (V, K, M, S)."""
    given = _Given(tool, zeros, at, grid)
    result = given.result(len(variants))
    sorts: dict[frozenset[Truth], list[int]] = {}
    for i, entries in enumerate(variants):
        sorts.setdefault(frozenset(e.truth for e in entries), []).append(i)
    for truths, members in sorts.items():
        some = [variants[i] for i in members]
        if Truth.HEIGHT in truths and len(truths) > 1:
            result[members] = _height_with_others(some, prior, given)
            continue
        # a height alone is one width, and so is a base circle, which a lift beside it has nothing to do with
        if Truth.HEIGHT in truths:
            mean, sd = prior.base + prior.lift, np.hypot(prior.base_sd, prior.lift_sd)
            result[members] = _lone_width(some, mean, sd, prior.wear, given)
        if Truth.BASE in truths:
            widths = [tuple(e for e in entries if e.truth is Truth.BASE) for entries in some]
            result[members] = _lone_width(widths, prior.base, prior.base_sd, 0.0, given)
        if Truth.LIFT in truths:
            lifts = [tuple(e for e in entries if e.truth is Truth.LIFT) for entries in some]
            result[members] += lift_density(lifts, prior, grid.step)[..., None, None]
    return result


def _lone_width(variants: Sequence[Sequence[Entry]], mean: Floats, sd: Floats, wear: float, given: _Given) -> Floats:
    """Log-density of one width, as shifted, at every zero and shift: (V, K, M, S)."""
    rows, shifts = mean.size, given.at.count
    means, sds = (mean[:, None] + given.at.each).ravel(), np.repeat(sd, shifts)
    found = in_pieces(
        lambda some: mixed_width_density(some, means, sds, wear, given.tool, given.zeros, given.grid.step),
        variants,
        means.size * MOST_NODES,
    )
    return np.swapaxes(found.reshape(len(variants), rows, shifts, given.zeros.size), 2, 3)


def _height_with_others(variants: Sequence[Sequence[Entry]], prior: LobePrior, given: _Given) -> Floats:
    low_b, high_b, low_l, high_l = _ranges(_all_tables(variants, given.tool), prior, given)
    result = given.result(len(variants))
    rows, shifts = prior.base.size, given.at.count
    for members in alike_widths(high_b - low_b, high_l - low_l, given.grid.step):
        bases, lifts = (
            nodes_between(low[members], high[members], given.grid.step)[1]
            for low, high in ((low_b, high_b), (low_l, high_l))
        )
        numbers = bases * max(lifts * given.zeros.size, rows * max(shifts, given.zeros.size))
        some = [variants[i] for i in members]
        result[members] = in_pieces(lambda few: _density(few, prior, given), some, numbers)
    return result


def _all_tables(variants: Sequence[Sequence[Entry]], tool: Instrument | None) -> dict[str, EntryTable]:
    return {
        "base": _tables(variants, Truth.BASE, tool, False),
        "base moving": _tables(variants, Truth.BASE, tool, True),
        "height": _tables(variants, Truth.HEIGHT, tool, False),
        "height moving": _tables(variants, Truth.HEIGHT, tool, True),
        "lift": EntryTable.of([tuple(e for e in s if e.truth is Truth.LIFT) for s in variants]),
    }


def _density(variants: Sequence[Sequence[Entry]], prior: LobePrior, given: _Given) -> Floats:
    zeros, at = given.zeros, given.at
    tables = _all_tables(variants, given.tool)
    low_b, high_b, low_l, high_l = _ranges(tables, prior, given)
    impossible = (high_b <= low_b) | (high_l <= low_l)
    low_b, high_b, low_l, high_l = (np.where(impossible, 0.0, r) for r in (low_b, high_b, low_l, high_l))
    apart, step = given.grid.apart, given.grid.step
    x_first, n_x = nodes_between(low_b, high_b, step)
    l_first, n_l = nodes_between(low_l, high_l, step)
    reach = (zeros.size - 1) * apart + 1
    base, base_top = _scaled(tables["base"], x_first, n_x, step)
    base_moving, moving_top = _scaled(tables["base moving"], x_first + zeros[0], n_x + reach - 1, step)
    height, height_top = _scaled(tables["height"], x_first + l_first, n_x + n_l - 1, step)
    height_moving, h_top = _scaled(tables["height moving"], x_first + l_first + zeros[0], n_x + n_l + reach - 2, step)
    lift, lift_top = _scaled(tables["lift"], l_first, n_l, step)
    at_lift = l_first[:, None] + step * np.arange(n_l)
    p = np.exp(log_emg(at_lift[:, None] - prior.lift[None, :, None], prior.lift_sd[None, :, None], prior.wear, -1))
    p = p * lift[:, None, :]
    if tables["height moving"].present.any() and tables["height"].present.any():
        # both kinds of height: the sum over lifts differs at every zero
        both = height[:, :, None] * _at_zeros(height_moving, reach, apart)
        along = np.swapaxes(sliding_window_view(both, n_l, axis=1), 2, 3)
        carried = np.matmul(p[:, None], along)
    elif tables["height moving"].present.any():
        along = sliding_window_view(height_moving, n_l, axis=-1)
        carried = np.swapaxes(_at_zeros(np.matmul(p, np.swapaxes(along, 1, 2)), reach, apart), 1, 2)
    else:
        along = sliding_window_view(height, n_l, axis=-1)
        carried = np.matmul(along, np.swapaxes(p, 1, 2))[..., None]
    # (V, n_x, K, M) or, where no zero moves a height, (V, n_x, K, 1)
    values = carried * (base[:, :, None] * _at_zeros(base_moving, reach, apart))[:, :, None]
    # the distances x_i - s_n, of which there are far fewer than pairs; windows of them run from the last shift down
    distance = offsets(x_first[:, None] - at.first - prior.base, n_x, 1, at.count, at.every, step)
    kernel = np.exp(log_normal(distance, prior.base_sd[None, :, None]))
    windows = np.ascontiguousarray(sliding_window_view(kernel, n_x, axis=-1)[..., :: at.every, :])
    density = np.matmul(values.transpose(0, 2, 3, 1), np.swapaxes(windows, 2, 3))[..., ::-1] * step**2
    density[impossible] = 0.0
    top = base_top + moving_top + height_top + h_top + lift_top
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(density) + top[:, None, None, None])
