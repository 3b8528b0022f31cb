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
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from service.identification.densities import log_emg, log_normal, log_two_tails
from service.identification.grids import STEP_PER_WIDTH
from service.identification.table import Floats, Ints

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


def _cubic(at: Floats, size: int) -> tuple[Ints, list[Singles]]:
    """(first of four neighbours, their Lagrange weights) for positions `at` on a grid of `size` points, within it."""
    first = np.clip(at.astype(np.int64), 1, size - 3) - 1
    t = at - first
    a, b, c = t - 1, t - 2, t - 3
    bc, ta = b * c, t * a
    weights = (bc * a * (-1 / 6), t * bc * 0.5, ta * c * -0.5, ta * b * (1 / 6))
    return first, [w.astype(np.float32) for w in weights]


def _beyond(values: Floats, axis: _Axis) -> Floats | float:
    """What lying beyond the grid takes off the log-density."""
    below, above = axis.first - values, values - axis.last
    outside = np.maximum(below, above)
    if outside.max() <= 0:
        return 0.0
    loss = np.zeros(values.shape)
    for over, (slope, curvature) in ((below, axis.below), (above, axis.above)):
        where = over > 0
        loss[where] = slope * over[where] + 0.5 * curvature * over[where] ** 2
    return loss


def look_up(table: PairTable, x_first: Floats, d: Floats, apart: float, count: int) -> Floats:
    """Log-density of n pairs at x = `x_first` (n,) - i `apart` for i < `count`, and at `d` (n,): (n, count)."""
    return np.concatenate(
        [
            _look_up(table, x_first[some], d[some], apart, count)
            for some in _pieces(d.size, 2 * (table.x.size + 2 * count))
        ]
    )


def _pieces(n: int, numbers_each: int) -> list[slice]:
    size = max(1, _AT_ONCE // numbers_each)
    return [slice(i, i + size) for i in range(0, max(n, 1), size)]


_AT_ONCE = 400_000


def _look_up(table: PairTable, x_first: Floats, d: Floats, apart: float, count: int) -> Floats:
    # rows that differ in their lifts alone stand at the same x, which is found once
    own_x, of_pair = np.unique(x_first, return_inverse=True)
    x = own_x[:, None] - apart * np.arange(count)
    at = (x - table.x.first) / table.x.step
    low = max(0, min(int(at.min()) - 1, table.x.size - 4))
    high = min(table.x.size, max(int(at.max()) + 4, 4))
    np.clip(at, 0, table.x.size - 1, out=at)
    loss = _beyond(x, table.x)
    columns = np.ascontiguousarray(table.log_density[:, low:high])
    first, weights = _cubic(at - low, high - low)
    if table.d.size == 1:
        return np.asarray((_weighted(columns[0], first, weights) - loss)[of_pair], float)
    along = np.clip((d - table.d.first) / table.d.step, 0, table.d.size - 1)
    row, row_weights = _cubic(along, table.d.size)
    rows = np.take(columns, row, axis=0)
    rows *= row_weights[0][:, None]
    for k in (1, 2, 3):
        more = np.take(columns, row + k, axis=0)
        more *= row_weights[k][:, None]
        rows += more
    begin = np.take(first, of_pair, axis=0)
    begin += ((high - low) * np.arange(d.size))[:, None]
    found: Floats = _weighted(rows.ravel(), begin, [np.take(w, of_pair, axis=0) for w in weights]).astype(float)
    away = _beyond(d, table.d)
    if isinstance(loss, np.ndarray):
        found -= np.take(loss, of_pair, axis=0)
    if isinstance(away, np.ndarray):
        found -= away[:, None]
    return found


def _weighted(values: Singles, first: Ints, weights: list[Singles]) -> Singles:
    """The weighted sum of four neighbouring `values`, from `first` on."""
    found: Singles = np.take(values, first) * weights[0]
    for k in (1, 2, 3):
        found += np.take(values, first + k) * weights[k]
    return found
