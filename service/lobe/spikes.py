"""Single wild readings: found before the smoothing, where they stand out from their neighbours, and after it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from service.domain.arrays import Floats
from service.lobe.smoothing import Smoothed

Flags = NDArray[np.bool_]

_PATTERN = np.array([-1.0, 4.0, -6.0, 4.0, -1.0]) / 6.0
"""What one wild reading does to five neighbours' distances from the cubic through their own neighbours."""


def lone_spikes(from_nose: Floats, residual: Floats, scale: float, already: Flags) -> Flags:
    """Single readings far off the cubic through the two before and the two after, in the way of a spike.

    A kink of the lobe is off too, but differently: its neighbours do not stand off the other way.
    """
    found = np.zeros(residual.size, bool)
    for _ in range(3):
        rows = np.flatnonzero(~already & ~found)
        rows = rows[np.argsort(from_nose[rows], kind="stable")]
        if rows.size < 9:
            break
        y, at = residual[rows], from_nose[rows]
        off = np.zeros(rows.size)
        off[2:-2] = y[2:-2] - (4 * (y[1:-3] + y[3:-1]) - (y[:-4] + y[4:])) / 6.0
        even = np.zeros(rows.size, bool)
        gap = np.diff(at)
        even[2:-2] = np.abs(gap[1:-2] - gap[2:-1]) + np.abs(gap[:-3] - gap[3:]) < 0.2 * gap[1:-2]
        typical = max(1.4826 * float(np.median(np.abs(off[2:-2]))), scale)
        window = np.lib.stride_tricks.sliding_window_view(np.pad(off, 2), 5)
        size = -(window @ _PATTERN) / float(_PATTERN @ _PATTERN)
        left = ((window + size[:, None] * _PATTERN) ** 2).sum(axis=1)
        spike = even & (np.abs(size) > 8 * typical) & (left < 0.25 * (window**2).sum(axis=1))
        best = np.lib.stride_tricks.sliding_window_view(np.pad(np.abs(size) * spike, 2), 5).max(axis=1)
        now = spike & (np.abs(size) >= best)
        if not now.any():
            break
        found[rows[now]] = True
    return found


_WILD = 4.5
_LEAST_WILD_MM = 0.01
_ALONE = 0.6


def wild_readings(fit: Smoothed, cam_deg: Floats) -> Flags:
    """Readings whose residual, studentised without themselves, is beyond all chance, and whose neighbours' is not.

    Where the curve cannot follow a kink of the lobe, neighbours are off together, and none of them is wild. Of
    several only the worst are taken at a time: the others may be off because of them.
    """
    n = fit.residuals.size
    inner = fit.residuals / np.sqrt(1 - fit.leverage) / fit.noise_mm
    freedom = max(n - fit.freedom - fit.wave.size, 2.0)
    outer = np.abs(inner) * np.sqrt((freedom - 1) / np.maximum(freedom - inner**2, 1e-6))
    order = np.argsort(cam_deg, kind="stable")
    along = np.pad(fit.residuals[order], 1)
    beside = np.empty(n)
    sign = np.sign(along[1:-1])
    beside[order] = np.maximum(along[:-2] * sign, along[2:] * sign)
    size = np.abs(fit.residuals)
    wild = (outer > _WILD) & (size > _LEAST_WILD_MM) & (beside < _ALONE * size)
    return np.asarray(wild & (size >= 0.7 * size[wild].max(initial=0.0)))


_WILD_PAIR = 24.0
"""Chi-squared of two: as rare as a single reading beyond `_WILD`."""
_LEAST_PAIR_MM = 0.1
_PAIR_STEP_DEG = 3.0


def wild_pair(fit: Smoothed, cam_deg: Floats) -> Flags:
    """The worst two neighbouring readings that belie the rest together, if any do.

    Two wild readings side by side draw the curve to themselves, and neither stands out alone. Left out together, they
    are off by d = (I - H)^-1 r, H their part of the smoother, and the misfit falls by r' d.
    """
    order = np.argsort(cam_deg, kind="stable")
    first, second = order[:-1], order[1:]
    r1, r2 = fit.residuals[first], fit.residuals[second]
    a, b = 1 - fit.leverage[first], 1 - fit.leverage[second]
    c = -np.einsum("ij,ij->i", fit.smoother[first], fit.smoother[second])
    det = np.maximum(a * b - c * c, 1e-12)
    d1, d2 = (b * r1 - c * r2) / det, (a * r2 - c * r1) / det
    gain = (r1 * d1 + r2 * d2) / fit.noise_mm**2
    close = np.diff(cam_deg[order]) <= _PAIR_STEP_DEG
    gain[~close | (np.minimum(np.abs(d1), np.abs(d2)) < _LEAST_PAIR_MM)] = 0.0
    found = np.zeros(cam_deg.size, bool)
    worst = int(gain.argmax())
    if gain[worst] > _WILD_PAIR:
        found[[first[worst], second[worst]]] = True
    return found


CROWD = 4
"""So many readings left out within `_CROWD_DEG` are seldom each wild: more likely some drew the curve to themselves."""
_CROWD_DEG = 20.0


def crowd(cam_deg: Floats, left_out: Flags) -> Flags:
    """All readings between those left out, left out or not, wherever `CROWD` of these lie within 20 cam degrees.

    A few wild readings side by side can hide one another, and have good neighbours left out in their place.
    """
    at = np.sort(np.mod(cam_deg[left_out], 360.0))
    found = np.zeros(cam_deg.size, bool)
    if at.size < CROWD:
        return found
    round_again = np.concatenate([at, at + 360.0])
    for first, last in zip(round_again, round_again[CROWD - 1 :], strict=False):
        if last - first <= _CROWD_DEG:
            found |= np.mod(cam_deg - first, 360.0) <= last - first + 1e-9
    return found


def foretold(fit: Smoothed, cam_deg: Floats, lift: Floats, among: Flags, step_deg: float) -> Flags:
    """Of readings left out, the one or two next to those used that the curve through these foretells, if any.

    From the edges of a gap inwards: there the curve knows best. Its own uncertainty counts with the noise.
    """
    rows = np.flatnonzero(among)
    found = np.zeros(among.size, bool)
    kept = np.mod(cam_deg[~among], 360.0)
    if not rows.size:
        return found
    away = np.abs(np.mod(cam_deg[rows][:, None] - kept[None] + 180.0, 360.0) - 180.0).min(axis=1)
    basis = fit.curve.basis(cam_deg[rows])
    sd = np.sqrt(fit.noise_mm**2 + np.einsum("ij,jk,ik->i", basis, fit.curve.covariance, basis))
    good = np.abs(lift[rows] - basis @ fit.curve.coefficients) < _WILD * sd
    if good.any():
        nearest = away[good].min()
        found[rows[good & (away <= nearest + 0.1 * step_deg)]] = True
    return found


def crowded(cam_deg: Floats, left_out: Flags) -> bool:
    """Whether some were left out so close together that which of them are wild cannot be told."""
    return bool(crowd(cam_deg, left_out).any())
