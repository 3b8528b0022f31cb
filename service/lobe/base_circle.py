"""The base circle in a table: its level, the once-per-turn wave of an eccentric shaft, drift, bumps on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.arrays import Floats

Flags = NDArray[np.bool_]

_WAVE_NEEDS_DEG = 120.0
_WAVE_NEEDS_POINTS = 12
_WAVE_WIDEST_GAP_DEG = 60.0
_TUKEY = 4.685
_SETTLED = 0.003
"""Of the noise: a round that moves no coefficient farther is the last."""
LEAST_SCALE_MM = 0.0005
"""Below a twentieth of a thousandth of an inch nothing is called noise, spike or bump."""


@dataclass(frozen=True, eq=False)
class BaseFit:
    """A robust fit of `columns` to the base circle: coefficients, their standard uncertainty, the noise's scale."""

    columns: Floats
    coefficients: Floats
    sd: Floats
    scale_mm: float

    def at(self, columns: Floats) -> Floats:
        """The base circle's reading for the rows of a matrix like `columns`."""
        return np.asarray(columns @ self.coefficients)


def wave_can_be_told(from_nose_deg: Floats, on_base: Flags) -> bool:
    """Whether the base circle is covered well enough to tell a once-per-turn wave from the lobe."""
    at = np.sort(from_nose_deg[on_base] % 360.0)
    if at.size < _WAVE_NEEDS_POINTS:
        return False
    gaps = np.diff(at)
    return bool(at[-1] - at[0] >= _WAVE_NEEDS_DEG and gaps.max() <= _WAVE_WIDEST_GAP_DEG)


def base_columns(from_nose_deg: Floats, order: Floats, *, wave: bool, drift: bool) -> Floats:
    """Columns of level, the wave's cosine and sine, and drift (-1/2 to 1/2 over the rows as taken)."""
    columns = [np.ones_like(from_nose_deg)]
    if wave:
        t = np.radians(from_nose_deg)
        columns += [np.cos(t), np.sin(t)]
    if drift:
        columns.append(order / max(order.size - 1, 1) - 0.5)
    return np.column_stack(columns)


def fit_base(columns: Floats, lift_mm: Floats, on_base: Flags) -> BaseFit:
    """A bisquare fit (Beaton and Tukey, Technometrics 16 (1974) 147) to the rows `on_base`, begun from the median."""
    x, y = columns[on_base], lift_mm[on_base]
    coefficients = np.zeros(x.shape[1])
    coefficients[0] = np.median(y)
    for round_ in range(6):
        residual = y - x @ coefficients
        scale = _scale(residual)
        reach = _TUKEY * scale * (4 if round_ < 2 else 1)  # far off at first: the median ignores the wave
        weights = np.asarray(np.maximum(1 - (residual / reach) ** 2, 0.0) ** 2)
        weighted = (x * weights[:, None]).T
        before = coefficients
        coefficients = np.linalg.solve(weighted @ x + 1e-9 * np.eye(x.shape[1]), weighted @ y)
        if round_ >= 2 and np.abs(coefficients - before).max() < _SETTLED * scale:
            break
    normal = (x * weights[:, None]).T @ x
    sd = scale * np.sqrt(np.maximum(np.diag(np.linalg.pinv(normal)), 0.0))
    return BaseFit(columns, coefficients, sd, scale)


def _scale(residual: Floats) -> float:
    middle = residual.size // 2  # of an even number the upper one: a scale needs no more, and this is called often
    return max(1.4826 * float(np.partition(np.abs(residual), middle)[middle]), LEAST_SCALE_MM)


def bump_on(residual_mm: Floats, from_nose_deg: Floats, on_base: Flags, scale_mm: float) -> Flags:
    """Rows of a bump on the base circle: two or more neighbours well above it (a decompressor's pin, a burr).

    Above 6 scales and 0.02 mm; neighbours above 2 scales belong to it.
    """
    bump = np.zeros(residual_mm.size, bool)
    rows = np.flatnonzero(on_base)
    rows = rows[np.argsort(from_nose_deg[rows] % 360.0)]
    high = residual_mm[rows] > max(6 * scale_mm, 0.02)
    for start in np.flatnonzero(high & ~np.concatenate([[False], high[:-1]])):
        stop = start
        while stop + 1 < rows.size and high[stop + 1]:
            stop += 1
        if stop > start:
            while start > 0 and residual_mm[rows[start - 1]] > 2 * scale_mm:
                start -= 1
            while stop + 1 < rows.size and residual_mm[rows[stop + 1]] > 2 * scale_mm:
                stop += 1
            bump[rows[start : stop + 1]] = True
    return bump
