"""A measured lobe against many nominal ones: the log-likelihood of each, all at once.

The measured curve y, on a grid of angles about its own centre, is taken as

    y = T_k + d y' + q sgn y' + c y/L - a W + e,      e ~ N(0, S)

T_k the nominal curve about its centre; d the phase left over, q half a width, c the lift's making, each normal; a >= 0
the nose's wear, exponential, W its profile; S the covariance of the smoothed table (level, runout and smoothing in it)
and of the grinding's own waviness, correlated along the lobe. The columns are made from the measured curve's own shape,
which any nominal worth matching shares; so one covariance serves every nominal, and ten thousand of them cost one
matrix product. A lobe turned the other way is tried too where nobody says which way it was turned.

Somebody else's lobe is taken to be like one of these with another lift, other widths and a shape of its own (`wide`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular
from scipy.special import log_ndtr

from service.domain.arrays import Floats
from service.lobe.curve import LiftCurve
from service.lobe.figures import Figure

GRID_DEG: Floats = np.arange(-105.0, 105.01, 2.5)
"""Cam degrees about a lobe's centre at which curves are compared."""

_LOG_REACH = 0.9
_FLANKS_ALIKE = 0.7
_FLANK = (0.05, 0.7)


@dataclass(frozen=True)
class Spreads:
    """How far a ground lobe strays from its nominal (mm, cam degrees); common practice, no source.

    `lift_mm` is the spread of making, `wear_mean_mm` the mean wear of a nose, `stranger_lift_mm` the spread of a
    lift that nobody states: whoever compares knows them, and no lobe does.
    """

    lift_mm: float
    wear_mean_mm: float
    stranger_lift_mm: float
    half_width_deg: float = 0.12
    waviness_mm: float = 0.004
    waviness_reach_deg: float = 10.0
    roughness_mm: float = 0.001
    phase_deg: float = 2.0
    shape_half_width_deg: float = 2.2
    """Of a half width from lift to lift, about what textbooks' laws stray from one another."""
    shape_waviness_mm: float = 0.03
    stranger_half_width_deg: float = 4.0


@dataclass(frozen=True, eq=False)
class Observed:
    """A measured lobe ready to compare: `lift` (G,) on `GRID_DEG`, its `covariance` (G, G), and what shapes it.

    `slope` is mm per cam degree, `wear` the nose's profile, 1 at the nose and 0 on the flanks; `height` the lobe lift.
    """

    curve: LiftCurve
    lift: Floats
    slope: Floats
    covariance: Floats
    height: Figure
    wear: Floats

    @property
    def height_mm(self) -> float:
        """The lobe lift."""
        return self.height.value

    @classmethod
    def of(cls, curve: LiftCurve, centre_deg: float, height: Figure) -> Observed:
        """A flat follower's curve about its centre."""
        at = centre_deg + GRID_DEG
        basis = curve.basis(at)
        lift = basis @ curve.coefficients
        share = np.clip((lift / height.value - 0.55) / 0.45, 0.0, 1.0)
        return cls(
            curve,
            np.asarray(lift),
            curve.lift(at, 1),
            np.asarray(basis @ curve.covariance @ basis.T),
            height,
            np.asarray(share**2 * (3 - 2 * share)),
        )


@dataclass(frozen=True, eq=False)
class Comparison:
    """One covariance, factored: gives the log-likelihood of any number of nominal curves under it."""

    observed: Observed
    factor: Floats
    log_normal: float
    wear_mean_mm: float

    def log_likelihood(self, nominal: Floats) -> Floats:
        """Of each nominal curve (N, G) on the grid: (N,)."""
        off = solve_triangular(self.factor, (self.observed.lift - nominal).T, lower=True, check_finite=False)
        square = np.einsum("ij,ij->j", off, off)
        plain = self.log_normal - 0.5 * square
        if self.wear_mean_mm <= 0:
            return np.asarray(plain)
        worn = solve_triangular(self.factor, self.observed.wear, lower=True)
        # the integral over a of exp(-a/m)/m times the normal density of the misfit plus a W
        sharp = float(worn @ worn)
        pull = -(worn @ off) - 1.0 / self.wear_mean_mm
        root = math.sqrt(sharp)
        gain = pull**2 / (2 * sharp) + log_ndtr(pull / root)
        return np.asarray(plain + gain + 0.5 * math.log(2 * math.pi / sharp) - math.log(self.wear_mean_mm))


def as_made(observed: Observed, spreads: Spreads, *, used: bool) -> Comparison:
    """For nominals that have a lift table."""
    return _comparison(observed, _making(observed, spreads), spreads.wear_mean_mm if used else 0.0)


def wide(observed: Observed, spreads: Spreads) -> Comparison:
    """For somebody else's lobes, taken to be like those of the catalogue with other lifts and widths."""
    shape = observed.lift / observed.height_mm * spreads.stranger_lift_mm
    width = np.sign(GRID_DEG) * observed.slope * spreads.stranger_half_width_deg
    return _comparison(
        observed,
        _making(observed, spreads) + _free_shape(observed, spreads) + np.outer(shape, shape) + np.outer(width, width),
        0.0,
    )


def _comparison(observed: Observed, making: Floats, wear_mean_mm: float) -> Comparison:
    factor = np.linalg.cholesky(observed.covariance + making)
    log_normal = -float(np.log(np.diag(factor)).sum()) - 0.5 * GRID_DEG.size * math.log(2 * math.pi)
    return Comparison(observed, np.asarray(factor, float), log_normal, wear_mean_mm)


def _making(observed: Observed, spreads: Spreads) -> Floats:
    """The covariance of grinding, and of the phase."""
    scale = observed.lift / observed.height_mm * spreads.lift_mm
    phase = observed.slope * spreads.phase_deg
    width = np.sign(GRID_DEG) * observed.slope * spreads.half_width_deg
    apart = np.subtract.outer(GRID_DEG, GRID_DEG)
    # waviness only where there is lift: the base circle is the zero of both
    here = np.sqrt(np.clip(observed.lift / (0.02 * observed.height_mm), 0.0, 1.0))
    wavy = np.outer(here, here) * np.exp(-0.5 * (apart / spreads.waviness_reach_deg) ** 2) * spreads.waviness_mm**2
    rough = np.eye(GRID_DEG.size) * spreads.roughness_mm**2
    return np.asarray(np.outer(scale, scale) + np.outer(phase, phase) + np.outer(width, width) + wavy + rough)


def _free_shape(observed: Observed, spreads: Spreads) -> Floats:
    """The covariance of a shape nobody knows: each flank's half width, free from lift to lift.

    Half widths at two lifts are the more alike the nearer the lifts' logarithms are, and on the two flanks of one lobe
    more alike than not. What a moved flank cannot say of a curve (ramps, second order) is a waviness of its own that
    leaves the nose alone.
    """
    level = np.clip(observed.lift / observed.height_mm, 0.005, 1.0)
    alike = np.exp(-0.5 * (np.subtract.outer(np.log(level), np.log(level)) / _LOG_REACH) ** 2)
    same_flank = np.equal.outer(np.sign(GRID_DEG), np.sign(GRID_DEG))
    outward = np.sign(GRID_DEG) * observed.slope * spreads.shape_half_width_deg
    widths = np.outer(outward, outward) * alike * np.where(same_flank, 1.0, _FLANKS_ALIKE)
    free = (1 - level**2) * spreads.shape_waviness_mm
    apart = np.subtract.outer(GRID_DEG, GRID_DEG) / spreads.waviness_reach_deg
    return np.asarray(widths + np.outer(free, free) * np.exp(-0.5 * apart**2))


@dataclass(frozen=True, eq=False)
class Loss:
    """What a measured lobe lacks beside its nominal: `loss` (G,) in mm on `GRID_DEG`, with its standard uncertainty.

    The two are laid over each other by their flanks, `phase_deg` apart in their centres; a nose that has lost metal
    stands out. The uncertainty is the table's and the grinding's (lift and waviness) together.
    """

    loss: Floats
    sd: Floats
    phase_deg: float

    @property
    def nose(self) -> Figure:
        """The loss at the nose."""
        at = int(np.abs(GRID_DEG).argmin())
        return Figure(float(self.loss[at]), float(self.sd[at]))


def loss_beside(observed: Observed, nominal: Floats, spreads: Spreads) -> Loss:
    """The loss of a measured lobe beside a nominal curve (G,)."""
    level = observed.lift / observed.height_mm
    flank = ((level > _FLANK[0]) & (level < _FLANK[1])) * observed.slope
    phase = float(flank @ (observed.lift - nominal) / (flank @ flank))
    making = np.hypot(level * spreads.lift_mm, spreads.waviness_mm * np.minimum(level * 10, 1.0))
    flanks = observed.slope * spreads.half_width_deg
    variance = np.diag(observed.covariance) + making**2 + flanks**2 + spreads.roughness_mm**2
    return Loss(np.asarray(nominal + phase * observed.slope - observed.lift), np.asarray(np.sqrt(variance)), phase)
