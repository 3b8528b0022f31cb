"""One-dimensional log-densities, vectorised: the normal and the exponentially modified normal."""

from __future__ import annotations

import numpy as np
from scipy.special import log_ndtr

from service.domain.arrays import Floats

LOG_SQRT_2PI = 0.5 * float(np.log(2 * np.pi))

_SMALLEST_RATIO = 1e-3
"""Below this tail-to-spread ratio the exponential is a plain shift, to 1e-6 of the density."""


def log_normal(x: Floats, sd: Floats | float) -> Floats:
    """Log-density of Normal(0, `sd`) at `x`."""
    scaled = x / sd
    return np.asarray(-0.5 * scaled * scaled - np.log(sd) - LOG_SQRT_2PI)


def log_emg(x: Floats, sd: Floats | float, tail: Floats | float, sign: int | Floats) -> Floats:
    """Log-density at `x` of Normal(0, `sd`) + `sign` * Exponential(mean `tail`); arguments broadcast.

    With t the tail's mean, s the spread and y = sign * x the density is
    (1/t) exp(s^2 / (2 t^2) - y / t) Phi(y / s - s / t): the exponentially modified normal, `scipy.stats.exponnorm`
    with K = t / s. A tail of zero gives the normal itself.
    """
    x, sd, tail = np.asarray(x, float), np.asarray(sd, float), np.asarray(tail, float)
    heavy = tail > _SMALLEST_RATIO * sd
    if not heavy.any():
        return log_normal(x - sign * tail, sd)
    t = np.where(heavy, tail, sd)
    y = x * sign
    ratio = sd / t
    z = y / sd
    value = -np.log(t) + ratio * (0.5 * ratio - z) + log_ndtr(z - ratio)
    if heavy.all():
        return np.asarray(value)
    return np.where(heavy, value, log_normal(x - sign * tail, sd))


_UNSEEN_TAIL = 0.02
"""A tail this small beside the spread is a shift and a little more spread, to 1e-6 of the density."""


def log_two_tails(y: Floats, sd: Floats | float, one: float, other: float) -> Floats:
    """Log-density at `y` of Normal(0, `sd`) - Exponential(mean `one`) - Exponential(mean `other`).

    The sum of two exponentials of means a and b has the density (exp(-t/a) - exp(-t/b)) / (a - b), so this is the
    difference of two exponentially modified normals.
    """
    small, large = min(one, other), max(one, other)
    if small <= _UNSEEN_TAIL * float(np.min(sd)):
        return log_emg(y + small, np.hypot(sd, small), large, -1)
    if large - small < 1e-3 * large:
        large = 1.001 * small
    slow = log_emg(y, sd, large, -1) + np.log(large)
    quick = log_emg(y, sd, small, -1) + np.log(small)
    return np.asarray(slow + np.log1p(-np.exp(np.minimum(quick - slow, -1e-12))) - np.log(large - small))


def log_sum_exp(a: Floats, axis: int | tuple[int, ...]) -> Floats:
    """log(sum(exp(a))) over `axis`, safe for rows of minus infinity and never NaN."""
    top = np.max(a, axis=axis, keepdims=True)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        total = np.log(np.sum(np.exp(a - safe), axis=axis))
    return np.asarray(total + np.squeeze(safe, axis=axis))
