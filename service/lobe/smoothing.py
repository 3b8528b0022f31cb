"""Smoothing a lift table: level, runout and drift on the base circle, a spline over the event, all at once.

    reading = level + A cos t + B sin t (+ drift with the order taken) + lift(t) + noise

The level, the once-per-turn wave and the drift show alone on the base circle, where the lift is nothing; the lift is a
penalised spline (Eilers and Marx, Statistical Science 11 (1996) 89) whose penalty is the integral of (s''')^2 and
whose one smoothing weight is chosen by restricted maximum likelihood (Wood, JRSS B 73 (2011) 3): the weight at which
the table as read is likeliest, the noise unknown too. The covariance is the posterior one that goes with it (Wahba,
JRSS B 45 (1983) 133), whose intervals hold the truth about as often as they say, smoothing bias counted in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.linalg import eigh

from service.domain.arrays import Floats
from service.lobe.curve import DEGREE, LiftCurve, unit_basis

_WIDEST_PIECE_DEG = 4.0
_QUADRATURE = 4
_NOSE_SHARE = 0.6
STIFFER = (10.0, 100.0, 1000.0)
_LEAST_NOISE_MM = 1e-5
"""A table's noise is taken to be at least this: it is written to a step, however well it was made."""


@dataclass(frozen=True, eq=False)
class Smoothed:
    """A fitted table.

    `wave` is (level, A, B, drift) in mm, as many as were fitted, with `wave_sd`; `noise_mm` the standard deviation of
    one reading; `freedom` how many free numbers the shape is worth (the trace of the smoother over the event);
    `residuals` and `leverage` are in the order of the readings given; `smoother` (n, q + p) times its own transpose is
    the matrix that makes fitted values of readings, `leverage` its diagonal.
    """

    curve: LiftCurve
    wave: Floats
    wave_sd: Floats
    noise_mm: float
    freedom: float
    residuals: Floats
    leverage: Floats
    smoother: Floats


def pieces_of(start_deg: float, stop_deg: float, step_deg: float) -> int:
    """Into how many pieces an event is cut: about 4 degrees each, and none shorter than the table's step."""
    return max(6, round((stop_deg - start_deg) / max(_WIDEST_PIECE_DEG, step_deg)))


@lru_cache(maxsize=64)
def _unit_third(pieces: int) -> tuple[Floats, Floats, Floats]:
    """(places, weights, third derivatives (n, p)) of a Gauss rule on unit pieces; the held splines left out."""
    nodes, weights = np.polynomial.legendre.leggauss(_QUADRATURE)
    at = (np.arange(pieces)[:, None] + 0.5 + 0.5 * nodes).ravel()
    third = np.asarray(unit_basis(pieces, 3)(at))[:, 3:-3]
    return at, np.tile(weights * 0.5, pieces), third


def roughness(start_deg: float, stop_deg: float, pieces: int, nose: tuple[float, float], stiffer: float) -> Floats:
    """The integral of v times the product of every two B-splines' third derivatives, the held ones left out: (p, p).

    v is `stiffer` between the two angles of `nose` and 1 elsewhere.
    """
    places, weights, third = _unit_third(pieces)
    length = (stop_deg - start_deg) / pieces
    at = start_deg + length * places
    v = np.where((at > nose[0]) & (at < nose[1]), stiffer, 1.0)
    return np.asarray((third * (v * weights)[:, None]).T @ third) / length**5


@dataclass(frozen=True, eq=False)
class _Penalised:
    """The fit under a penalty P, in the basis V with V'PV = 1 and V'X'XV diagonal: any weight is arithmetic there."""

    back: Floats  # V
    strength: Floats  # the diagonal
    z: Floats  # V' X'y
    total: float
    freedom: int
    least_noise: float

    @classmethod
    def of(
        cls, normal: Floats, moment: Floats, total: float, penalty: Floats, freedom: int, least_noise: float
    ) -> _Penalised:
        """Out of X'X, X'y and y'y."""
        strength, back = eigh(normal, penalty, check_finite=False, driver="gvd")
        return cls(back, np.maximum(strength, 0.0), back.T @ moment, total, freedom, least_noise)

    def misfit(self, weight: Floats) -> Floats:
        """Penalised sum of squares at each of some smoothing weights, (m,)."""
        return np.asarray(np.maximum(self.total - (self.z**2 / (self.strength + weight[:, None])).sum(axis=1), 0.0))

    def scores(self, log_weight: Floats) -> Floats:
        """Minus twice the restricted log-likelihood at each log weight, but for a constant; the noise at its best."""
        weight = np.exp(log_weight)
        each = self.misfit(weight) / self.freedom
        noise = np.maximum(each, self.least_noise**2)
        worth = np.log1p(self.strength / weight[:, None]).sum(axis=1)
        return np.asarray(self.freedom * (np.log(noise) + each / noise) + worth)

    def best(self) -> tuple[float, float]:
        """(score, log weight) at the best smoothing weight: a wide grid, then finer ones about its best point."""
        middle, reach = math.log(max(self.strength[-1], 1e-12)) - 12.0, 18.0
        for _ in range(3):
            grid = np.linspace(middle - reach, middle + reach, 19)
            scores = self.scores(grid)
            middle, reach = float(grid[scores.argmin()]), reach / 9
        return float(scores.min()), middle


def smooth(
    cam_deg: Floats,
    lift_mm: Floats,
    fixed: Floats,
    start_deg: float,
    stop_deg: float,
    step_deg: float,
    stiffer: tuple[float, ...] = STIFFER,
    least_noise_mm: float = 0.0,
) -> Smoothed:
    """Fit a table: readings (n,) at unwrapped angles, `fixed` (n, q) the columns of level, wave and drift.

    The event runs from `start_deg` to `stop_deg`. Needs more readings than q + 3 and at least one outside the event
    for the level. Noise below `least_noise_mm` is not believed. A nose bends more evenly than ramps and flanks begin
    and end, so the penalty about the nose (where lift is above `_NOSE_SHARE`) may be stiffer, by the factor of
    `stiffer` under which the table is likeliest.
    """
    pieces = pieces_of(start_deg, stop_deg, step_deg)
    frame = LiftCurve(start_deg, stop_deg, pieces, np.zeros(pieces + DEGREE - 6), np.zeros((0, 0)))
    shape = frame.basis(cam_deg)
    # the fixed columns are taken out first, by an orthogonal basis of theirs
    q_fixed, r_fixed = np.linalg.qr(fixed)
    inside = shape - q_fixed @ (q_fixed.T @ shape)
    left = lift_mm - q_fixed @ (q_fixed.T @ lift_mm)
    freedom = lift_mm.size - fixed.shape[1]
    least = max(least_noise_mm, _LEAST_NOISE_MM)
    top = (start_deg + stop_deg) / 2, (start_deg + stop_deg) / 2
    table = inside.T @ inside, inside.T @ left, float(left @ left)
    fit = _Penalised.of(*table, roughness(start_deg, stop_deg, pieces, top, 1.0), freedom, least)
    score, log_weight = fit.best()
    if stiffer:
        pilot = frame.shaped(fit.back @ (fit.z / (fit.strength + math.exp(log_weight))))
        high = pilot.grid_deg[pilot.grid_lift > _NOSE_SHARE * pilot.grid_lift.max()]
    for factor in stiffer:
        penalty = roughness(start_deg, stop_deg, pieces, (float(high[0]), float(high[-1])), factor)
        other = _Penalised.of(*table, penalty, freedom, least)
        its = other.best()
        if its[0] < score:
            fit, (score, log_weight) = other, its
    weight = math.exp(log_weight)
    noise = max(math.sqrt(float(fit.misfit(np.array([weight]))[0]) / freedom), least)
    scaled = fit.back / np.sqrt(fit.strength + weight)
    covariance = noise**2 * scaled @ scaled.T
    coefficients = fit.back @ (fit.z / (fit.strength + weight))
    fitted_shape = shape @ coefficients
    fixed_values = np.linalg.solve(r_fixed, q_fixed.T @ (lift_mm - fitted_shape))
    tie = np.linalg.solve(r_fixed, q_fixed.T @ shape)
    fixed_cov = noise**2 * np.linalg.inv(r_fixed.T @ r_fixed) + tie @ covariance @ tie.T
    spread = inside @ scaled
    smoother = np.hstack([q_fixed, spread])
    leverage = np.einsum("ij,ij->i", smoother, smoother)
    return Smoothed(
        LiftCurve(start_deg, stop_deg, pieces, coefficients, covariance),
        fixed_values,
        np.sqrt(np.diag(fixed_cov)),
        noise,
        float(np.sum(fit.strength / (fit.strength + weight))),
        lift_mm - fixed @ fixed_values - fitted_shape,
        np.minimum(leverage, 1 - 1e-9),
        smoother,
    )
