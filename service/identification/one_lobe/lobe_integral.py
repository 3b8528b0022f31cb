"""The integrals over one lobe's or one journal's own truth, for many variants of its entries and many rows at once.

Results are log-densities (V, K, S): variant, row, shift s_n = s_0 + n * every * step, where s is the tool's zero less
the undersize. Notation as in `likelihood.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from service.domain.arrays import Floats
from service.identification.entries.entries import Entry, Truth
from service.identification.numerics.densities import log_emg, log_normal, log_two_tails
from service.identification.one_lobe.grids import (
    SPREADS,
    TAILS,
    EntryTable,
    alike_widths,
    coarser,
    in_pieces,
    nodes_between,
    offsets,
    slide,
)


@dataclass(frozen=True, eq=False)
class Shifts:
    """The shifts an integral is wanted at, for each of K rows: `first` (K,), then `count` of them, `every` steps apart.

    `coarse` steps is what the integral over the lobe's own truths may take at a time.
    """

    first: Floats
    count: int
    every: int
    step: float
    coarse: int = 1

    @property
    def span(self) -> float:
        """From the first shift to the last."""
        return (self.count - 1) * self.every * self.step

    @property
    def each(self) -> Floats:
        """Every shift of every row: (K, S)."""
        return np.asarray(self.first[:, None] + self.every * self.step * np.arange(self.count))


@dataclass(frozen=True, eq=False)
class LobePrior:
    """What K rows say of one kind of lobe before it is measured. `wear` is the mean nose wear, 0 for none."""

    base: Floats
    base_sd: Floats
    lift: Floats
    lift_sd: Floats
    wear: float


_DROWNED = 8.0


def _log(x: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(x))


def _exp_table(log_table: Floats) -> tuple[Floats, Floats]:
    """(exp of the table scaled to a largest value of one, the log of the scale), the latter (V,)."""
    top = log_table.max(axis=-1)
    return np.exp(log_table - top[..., None]), top


def width_density(variants: Sequence[Sequence[Entry]], mean: Floats, sd: Floats, wear: float, at: Shifts) -> Floats:
    """Log-density of width entries on truths mean_k + sd_k N - Exp(`wear`), read through the shift: (V, K, S)."""
    entries = EntryTable.of(variants)
    if wear and wear < float(entries.sd[entries.present > 0].min(initial=np.inf)) / _DROWNED / entries.mean.shape[1]:
        # a wear that the reading cannot see is a shift and a little more spread
        mean, sd, wear = mean - wear, np.hypot(sd, wear), 0.0
    shift = at.each
    if entries.mean.shape[1] == 1 and (wear == 0 or not (entries.tail[entries.sign > 0] > 0).any()):
        return _one_reading(entries, mean, sd, wear, shift)
    if entries.gaussian:
        m, s, constant = entries.combined()
        away = m[:, None, None] - shift[None] - mean[None, :, None]
        total_sd = np.hypot(s[:, None, None], sd[None, :, None])
        return np.asarray(log_emg(away, total_sd, wear, -1) + constant[:, None, None])
    low, high = entries.truth_range()
    reach = SPREADS * sd
    low = np.maximum(low, (mean + at.first - reach - TAILS * wear).min())
    high = np.minimum(high, (mean + at.first + at.span + reach).max())
    high = np.maximum(high, low)
    coarse = coarser(at.coarse, low, high, at.step)
    step = at.step * coarse
    first, n = nodes_between(low, high, step)
    table, scale = _exp_table(entries.log_table(first, n, step))
    start = first[:, None] - at.first[None] - mean[None]
    distance = offsets(start, n, coarse, at.count, at.every, at.step)
    kernel = np.exp(log_emg(distance, sd[None, :, None], wear, -1))
    values = np.broadcast_to(table[:, None, :], (*start.shape, n))
    return np.asarray(_log(slide(values, kernel, at.every, coarse) * step) + scale[:, None, None])


def _one_reading(entries: EntryTable, mean: Floats, sd: Floats, wear: float, shift: Floats) -> Floats:
    """Each variant a single reading, whose one-sided part, if any, goes the way of the wear, or there is no wear."""
    found = np.empty((entries.mean.shape[0], mean.size, shift.shape[1]))
    away = entries.mean[:, 0, None, None] - shift[None] - mean[None, :, None]
    total_sd = np.hypot(entries.sd[:, 0, None, None], sd[None, :, None])
    tails = entries.tail[:, 0] * entries.sign[:, 0]
    for tail in set(tails.tolist()):
        some = np.flatnonzero(tails == tail)
        if tail > 0:
            found[some] = log_emg(away[some], total_sd[some], tail, 1)
        else:
            found[some] = log_two_tails(away[some], total_sd[some], -tail, wear)
    return found


def lift_density(variants: Sequence[Sequence[Entry]], prior: LobePrior, step: float) -> Floats:
    """Log-density of lift entries alone, which no zero and no undersize touches: (V, K)."""
    at = Shifts(np.zeros(prior.lift.size), 1, 1, step)
    return width_density(variants, prior.lift, prior.lift_sd, prior.wear, at)[..., 0]


def _ranges(
    bases: EntryTable, heights: EntryTable, lifts: EntryTable, prior: LobePrior, at: Shifts
) -> tuple[Floats, Floats, Floats, Floats]:
    """(base low, base high, lift low, lift high) that entries, rows and shifts leave possible, each (V,)."""
    base_low, base_high = bases.truth_range()
    height_low, height_high = heights.truth_range()
    lift_low, lift_high = lifts.truth_range()
    reach = SPREADS * prior.base_sd
    base_low = np.maximum(base_low, (prior.base + at.first - reach).min())
    base_high = np.minimum(base_high, (prior.base + at.first + at.span + reach).max())
    lift_low = np.maximum(lift_low, (prior.lift - SPREADS * prior.lift_sd - TAILS * prior.wear).min())
    lift_high = np.minimum(lift_high, (prior.lift + SPREADS * prior.lift_sd).max())
    low_lift = np.maximum(lift_low, height_low - base_high)
    high_lift = np.minimum(lift_high, height_high - base_low)
    base_low, base_high = np.maximum(base_low, height_low - high_lift), np.minimum(base_high, height_high - low_lift)
    return base_low, base_high, low_lift, high_lift


def _height_with_others(roles: Sequence[tuple[Sequence[Entry], ...]], prior: LobePrior, at: Shifts) -> Floats:
    """Log-density of a lobe read at height and at base circle or lift, or all three: (V, K, S)."""
    tables = [EntryTable.of([r[i] for r in roles]) for i in range(3)]
    bases, heights, lifts = tables
    ranges = np.stack(_ranges(bases, heights, lifts, prior, at))
    result = np.empty((len(roles), prior.base.size, at.count))
    for members in alike_widths(ranges[1] - ranges[0], ranges[3] - ranges[2], at.step):
        some = [table.take(members) for table in tables]
        result[members] = _of_alike(some, ranges[:, members], prior, at)
    return result


def _of_alike(tables: Sequence[EntryTable], ranges: Floats, prior: LobePrior, at: Shifts) -> Floats:
    bases, heights, lifts = tables
    base_low, base_high, low_lift, high_lift = ranges
    impossible = (base_high <= base_low) | (high_lift <= low_lift)
    base_high, high_lift = np.maximum(base_high, base_low), np.maximum(high_lift, low_lift)
    base_low, base_high = np.where(impossible, 0.0, base_low), np.where(impossible, 0.0, base_high)
    low_lift, high_lift = np.where(impossible, 0.0, low_lift), np.where(impossible, 0.0, high_lift)
    coarse = max(coarser(at.coarse, base_low, base_high, at.step), coarser(1, low_lift, high_lift, at.step))
    step = at.step * coarse
    x_first, n_x = nodes_between(base_low, base_high, step)
    l_first, n_l = nodes_between(low_lift, high_lift, step)
    base_table, base_scale = _exp_table(bases.log_table(x_first, n_x, step))
    lift_table, lift_scale = _exp_table(lifts.log_table(l_first, n_l, step))
    height_table, height_scale = _exp_table(heights.log_table(x_first + l_first, n_x + n_l - 1, step))
    lift_at = l_first[:, None] + step * np.arange(n_l)
    lift_prior = np.exp(
        log_emg(lift_at[:, None, :] - prior.lift[None, :, None], prior.lift_sd[None, :, None], prior.wear, -1)
    )
    along = sliding_window_view(height_table, n_l, axis=-1)
    carried = np.matmul(lift_prior * lift_table[:, None, :], np.swapaxes(along, 1, 2))
    values = carried * base_table[:, None, :]
    start = x_first[:, None] - at.first[None] - prior.base[None]
    distance = offsets(start, n_x, coarse, at.count, at.every, at.step)
    kernel = np.exp(log_normal(distance, prior.base_sd[None, :, None]))
    density = slide(values, kernel, at.every, coarse) * step**2
    density[impossible] = 0.0
    return np.asarray(_log(density) + (base_scale + lift_scale + height_scale)[:, None, None])


def lobe_density(variants: Sequence[Sequence[Entry]], prior: LobePrior, at: Shifts) -> Floats:
    """Log-density of everything read on one lobe, for each variant of its entries: (V, K, S)."""
    numbers = prior.base.size * (at.count * at.every + 200 * at.coarse)
    return in_pieces(lambda some: _lobe_density(some, prior, at), variants, numbers)


def _lobe_density(variants: Sequence[Sequence[Entry]], prior: LobePrior, at: Shifts) -> Floats:
    result = np.zeros((len(variants), prior.base.size, at.count))
    truths = (Truth.BASE, Truth.HEIGHT, Truth.LIFT)
    roles = [tuple([e for e in entries if e.truth is t] for t in truths) for entries in variants]
    sorts: dict[tuple[bool, ...], list[int]] = {}
    for i, role in enumerate(roles):
        sorts.setdefault(tuple(bool(r) for r in role), []).append(i)
    for (has_base, has_height, has_lift), members in sorts.items():
        if has_height and (has_base or has_lift):
            result[members] = _height_with_others([roles[i] for i in members], prior, at)
            continue
        if has_height:
            sd = np.hypot(prior.base_sd, prior.lift_sd)
            mean = prior.base + prior.lift
            result[members] = width_density([roles[i][1] for i in members], mean, sd, prior.wear, at)
            continue
        if has_base:
            result[members] = width_density([roles[i][0] for i in members], prior.base, prior.base_sd, 0.0, at)
        if has_lift:
            result[members] += lift_density([roles[i][2] for i in members], prior, at.step * at.coarse)[..., None]
    return result
