"""One lobe read once at its height, once at its base circle, or both: the density as a table, looked up ever after.

With s the tool's zero less the undersize, B0 and L0 a row's base circle and lift, and r what was read,

    x = r_base - s - B0        how large the base circle read
    y = r_height - s - B0 - L0  how large the height read
    d = y - x = (r_height - r_base) - L0

the density of both readings depends on x and d alone, whatever the part (notation as in `likelihood.py`):

    F(x, d) = integral over u of Normal(x - u; sdB) e_base(u) e_height(d + u)

with e_base = Normal(0, sd_base) + Exp(technique) and e_height = Normal(0, sqrt(sdL^2 + sd_height^2)) - Exp(wear_nose) -
Exp(technique). There are few kinds of such pairs, so log F is worked out once for each on a grid (the trapezium rule
over u) and read off by cubic interpolation: to about 3e-5 where it is within 16 nats of its greatest value, and
carried on with its slope beyond.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from service.domain.arrays import Floats, Ints
from service.identification.numerics.densities import log_emg, log_normal, log_two_tails
from service.identification.one_lobe.grids import STEP_PER_WIDTH

Singles = NDArray[np.float32]

_NORMAL_REACH, _TAIL_REACH = 7.0, 16.0
"""The table covers so many spreads and so many means of an exponential: some 16 nats down at least."""
_PER_WIDTH = 0.25
_MOST_POINTS = 700
_LEAST = -600.0


@dataclass(frozen=True)
class PairErrors:
    """All that the density of a pair depends on: what was read (None: not), and how parts of a kind vary, in mm."""

    base: tuple[float, float] | None
    height: tuple[float, float] | None
    base_sd: float
    lift_sd: float
    wear: float


@dataclass(frozen=True)
class _Axis:
    """A uniform grid, and how a log-density goes on beyond its ends: slope per mm, curvature per square mm."""

    first: float
    step: float
    size: int
    below: tuple[float, float]
    above: tuple[float, float]

    @property
    def last(self) -> float:
        return self.first + (self.size - 1) * self.step

    @property
    def points(self) -> Floats:
        return np.asarray(self.first + self.step * np.arange(self.size, dtype=float))


@dataclass(frozen=True, eq=False)
class PairTable:
    """log F on a grid (`d.size`, `x.size`); with one kind of reading only, the grid over d has a single row.

    In single precision, which is 1e-5 of a nat here and half the memory to go through.
    """

    x: _Axis
    d: _Axis
    log_density: Singles


def _axis(width: float, spread: float, low_tail: float, high_tail: float) -> _Axis:
    low = _NORMAL_REACH * spread + _TAIL_REACH * low_tail
    high = _NORMAL_REACH * spread + _TAIL_REACH * high_tail
    size = int(min(math.ceil((low + high) / (_PER_WIDTH * width)) + 1, _MOST_POINTS))
    normal = (_NORMAL_REACH / spread, 1 / spread**2)
    below = (1 / low_tail, 0.0) if low_tail > 0 else normal
    above = (1 / high_tail, 0.0) if high_tail > 0 else normal
    return _Axis(-low, (low + high) / (size - 1), size, below, above)


_POINT = _Axis(0.0, 1.0, 1, (0.0, 0.0), (0.0, 0.0))


@lru_cache(maxsize=512)
def pair_table(errors: PairErrors) -> PairTable:
    """The table for one kind of pair. Kept for the process: some 50 kB each."""
    sd_b, lift_sd, wear = errors.base_sd, errors.lift_sd, errors.wear
    if errors.height is None:
        if errors.base is None:
            raise ValueError("a pair without a reading")
        sd, tail = errors.base
        x = _axis(math.hypot(sd, sd_b), math.hypot(sd, sd_b), 0.0, tail)
        return PairTable(x, _POINT, log_emg(x.points, math.hypot(sd, sd_b), tail, 1)[None].astype(np.float32))
    sd_h, tail_h = math.hypot(errors.height[0], lift_sd), errors.height[1]
    if errors.base is None:
        spread = math.hypot(sd_h, sd_b)
        x = _axis(spread, spread, max(wear, tail_h), 0.0)
        return PairTable(x, _POINT, log_two_tails(x.points, spread, wear, tail_h)[None].astype(np.float32))
    sd, tail = errors.base
    x = _axis(math.hypot(sd_b, 1 / math.hypot(1 / sd, 1 / sd_h)), math.hypot(sd, sd_b), 0.0, tail)
    d = _axis(math.hypot(sd_h, 1 / math.hypot(1 / sd, 1 / sd_b)), math.hypot(sd, sd_h), max(wear, tail_h, tail), 0.0)
    widest = STEP_PER_WIDTH / math.sqrt(1 / sd**2 + 1 / sd_h**2 + 1 / sd_b**2)
    within = max(1, math.ceil(d.step / widest))
    step = d.step / within
    n = math.ceil((2 * _NORMAL_REACH * sd + _TAIL_REACH * tail) / step) + 1
    u: Floats = -_NORMAL_REACH * sd + step * np.arange(n, dtype=float)
    at_height: Floats = d.first + u[0] + step * np.arange((d.size - 1) * within + n, dtype=float)
    height = sliding_window_view(np.exp(log_two_tails(at_height, sd_h, wear, tail_h)), n)[::within]
    base = np.exp(log_emg(u, sd, tail, 1)) * step
    making = np.exp(log_normal(x.points[None] - u[:, None], sd_b))
    with np.errstate(divide="ignore"):
        log_density = np.log((height * base) @ making)
    return PairTable(x, d, np.maximum(log_density, _LEAST).astype(np.float32))


@dataclass(frozen=True, eq=False)
class PairsRead:
    """n pairs of one kind: the `table` of their errors, x at the first shift (n,) and d (n,), in mm."""

    table: PairTable
    x_first: Floats
    d: Floats


def look_up(pairs: Sequence[PairsRead], apart: float, count: int) -> Floats:
    """Log-density of all the pairs at x = their first - i `apart` for i < `count`, one kind after another: (n, count).

    Kinds are looked up together, since there are often but a few pairs of each.
    """
    numbers = sum(each.d.size * 2 * (each.table.x.size + 2 * count) for each in pairs)
    if numbers <= _AT_ONCE:
        return _look_up(pairs, apart, count)
    found = []
    for each in pairs:
        size = max(1, _AT_ONCE // (2 * (each.table.x.size + 2 * count)))
        for i in range(0, each.d.size, size):
            piece = PairsRead(each.table, each.x_first[i : i + size], each.d[i : i + size])
            found.append(_look_up([piece], apart, count))
    return np.concatenate(found)


_AT_ONCE = 400_000
_FAR = 1e4
"""In mm: no two x of one kind are so far apart."""


def _look_up(pairs: Sequence[PairsRead], apart: float, count: int) -> Floats:
    tables = [each.table for each in pairs]
    sizes = [each.d.size for each in pairs]
    kind = np.repeat(np.arange(len(pairs)), sizes)
    x_first, d = (np.concatenate(parts) for parts in zip(*((p.x_first, p.d) for p in pairs), strict=True))
    # rows that differ in their lifts alone stand at the same x, which is found once
    _, own, of_pair = np.unique(x_first + _FAR * kind, return_index=True, return_inverse=True)
    x_axes = _Axes.of([table.x for table in tables])
    kind_of_x = kind[own]
    x = x_first[own][:, None] - apart * np.arange(count)
    at, x_loss = x_axes.places(x, kind_of_x)
    first, weights = _cubic(at, x_axes.size[kind_of_x][:, None])
    # the part of each table that is needed: x falls from one shift to the next
    low = np.full(len(pairs), np.iinfo(np.int64).max)
    high = np.zeros(len(pairs), np.int64)
    np.minimum.at(low, kind_of_x, first[:, -1])
    np.maximum.at(high, kind_of_x, first[:, 0] + 4)
    d_axes = _Axes.of([table.d for table in tables])
    d_at, d_loss = d_axes.places(d[:, None], kind)
    row, row_weights = _cubic(d_at[:, 0], d_axes.size[kind])
    values, begin, start, filled = [], np.empty(d.size, np.int64), 0, 0
    for table, size, i, j in zip(tables, sizes, low, high, strict=True):
        some = slice(start, start + size)
        if table.d.size == 1:
            values.append(table.log_density[0, i:j])
            begin[some] = filled - i
        else:
            lines = table.log_density[row[some], i:j] * row_weights[0][some, None]
            for k in (1, 2, 3):
                lines += table.log_density[row[some] + k, i:j] * row_weights[k][some, None]
            values.append(lines.ravel())
            begin[some] = filled - i + (j - i) * np.arange(size)
        start, filled = start + size, filled + values[-1].size
    flat = np.concatenate(values)
    places = np.take(first, of_pair, axis=0)
    places += begin[:, None]
    found = np.take(flat, places) * np.take(weights[0], of_pair, axis=0)
    for k in (1, 2, 3):
        found += np.take(flat, places + k) * np.take(weights[k], of_pair, axis=0)
    density: Floats = found.astype(float)
    if x_loss is not None:
        density -= np.take(x_loss, of_pair, axis=0)
    if d_loss is not None:
        density -= d_loss
    return density


@dataclass(frozen=True, eq=False)
class _Axes:
    """The axes of several tables side by side, as arrays of one number a table."""

    first: Floats
    step: Floats
    last: Floats
    size: Ints
    below: Floats
    above: Floats

    @classmethod
    def of(cls, axes: Sequence[_Axis]) -> _Axes:
        first, step, last = np.array([(axis.first, axis.step, axis.last) for axis in axes]).T
        below, above = np.array([(axis.below, axis.above) for axis in axes]).transpose(1, 2, 0)
        return cls(first, step, last, np.array([axis.size for axis in axes]), below, above)

    def places(self, values: Floats, of: Ints) -> tuple[Floats, Floats | None]:
        """(where on its own axis `of` (n,) each of `values` (n, m) stands, what lying beyond it takes off)."""
        below, above = self.first[of][:, None] - values, values - self.last[of][:, None]
        at = np.clip(below / -self.step[of][:, None], 0, self.size[of][:, None] - 1)
        if max(below.max(initial=0.0), above.max(initial=0.0)) <= 0:
            return at, None
        loss = np.zeros(values.shape)
        for over, ends in ((below, self.below), (above, self.above)):
            over = np.maximum(over, 0.0)
            slope, curvature = ends[:, of]
            loss += slope[:, None] * over + (0.5 * curvature)[:, None] * over**2
        return at, loss


def _cubic(at: Floats, size: Ints) -> tuple[Ints, list[Singles]]:
    """(first of four neighbours, their Lagrange weights) for positions `at` on a grid of `size` points, within it."""
    first = np.clip(at.astype(np.int64), 1, np.maximum(size - 3, 1)) - 1
    t = at - first
    a, b, c = t - 1, t - 2, t - 3
    bc, ta = b * c, t * a
    weights = (bc * a * (-1 / 6), t * bc * 0.5, ta * c * -0.5, ta * b * (1 / 6))
    return first, [w.astype(np.float32) for w in weights]
