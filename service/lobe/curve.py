"""A lobe's lift as a smooth curve with its uncertainty: a spline over the event, nothing outside it.

Lift is zero, with its first two derivatives, outside the event. Inside it is a spline of degree 5 on equally spaced
knots; its coefficients carry a covariance, from which every figure's standard uncertainty follows by propagation
(JCGM 100, 5.2): for a figure F, u(F)^2 = g' C g with g the derivative of F by the coefficients.

Angles are cam degrees, lengths millimetres; a derivative of order n is in mm per cam degree^n.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import BSpline

from service.domain.arrays import Floats

DEGREE = 5
_HELD = 3
"""Coefficients at each end that stay zero: lift, velocity and acceleration all begin from nothing."""
_GRID_DEG = 0.25


@lru_cache(maxsize=256)
def unit_basis(pieces: int, order: int) -> BSpline[np.float64]:
    """Every B-spline on the unit pieces from 0 to `pieces`, or a derivative of each: one a column, zero outside."""
    if order:
        return unit_basis(pieces, 0).derivative(order)
    knots = np.concatenate([[0.0] * DEGREE, np.arange(pieces + 1.0), [pieces] * DEGREE])
    return BSpline(knots, np.eye(knots.size - DEGREE - 1), DEGREE, extrapolate=False)


@dataclass(frozen=True, eq=False)
class LiftCurve:
    """A lobe's lift against an unwrapped cam angle (degrees), from `start_deg` to `stop_deg` and zero elsewhere.

    `coefficients` (p,) in mm with `covariance` (p, p); p = pieces + 5 - 6, the six held at zero left out.
    """

    start_deg: float
    stop_deg: float
    pieces: int
    coefficients: Floats
    covariance: Floats

    def _unit(self, cam_deg: ArrayLike) -> tuple[Floats, NDArray[np.bool_]]:
        """Angles as places on unit pieces from 0, and which of them lie outside the event."""
        at = np.atleast_1d(np.asarray(cam_deg, float))
        places = (at - self.start_deg) / self._piece_deg
        return np.clip(places, 0.0, self.pieces), (at < self.start_deg) | (at > self.stop_deg)

    @property
    def _piece_deg(self) -> float:
        return (self.stop_deg - self.start_deg) / self.pieces

    def basis(self, cam_deg: ArrayLike, order: int = 0) -> Floats:
        """The derivative of the lift (`order` times by angle) by each coefficient, at each angle: (n, p).

        Angles are unwrapped: 0 and 360 are two different places.
        """
        places, outside = self._unit(cam_deg)
        values = unit_basis(self.pieces, order)(places)[:, _HELD:-_HELD] / self._piece_deg**order
        values[outside] = 0.0
        return np.asarray(values)

    def lift(self, cam_deg: ArrayLike, order: int = 0) -> Floats:
        """Lift, or its derivative of an order, at each angle: (n,)."""
        if order not in self._lifts:
            self._lifts[order] = self._lifts[0].derivative(order)
        places, outside = self._unit(cam_deg)
        values = np.asarray(self._lifts[order](places)) / self._piece_deg**order
        values[outside] = 0.0
        return values

    @cached_property
    def _lifts(self) -> dict[int, BSpline[np.float64]]:
        knots = unit_basis(self.pieces, 0).t
        return {0: BSpline.construct_fast(knots, np.pad(self.coefficients, _HELD), DEGREE, extrapolate=False)}

    def shaped(self, coefficients: Floats) -> LiftCurve:
        """A curve over the same event with other coefficients, nothing said of their covariance."""
        return LiftCurve(self.start_deg, self.stop_deg, self.pieces, coefficients, np.zeros((0, 0)))

    def lift_sd(self, cam_deg: ArrayLike, order: int = 0) -> Floats:
        """Standard uncertainty of `lift` at each angle: (n,)."""
        rows = self.basis(cam_deg, order)
        return np.asarray(np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", rows, self.covariance, rows), 0.0)))

    def sd(self, gradient: Floats) -> float:
        """Standard uncertainty of a figure from its derivative by the coefficients, (p,)."""
        return math.sqrt(max(float(gradient @ self.covariance @ gradient), 0.0))

    @cached_property
    def grid_deg(self) -> Floats:
        """Angles over the event, a quarter of a degree apart or closer."""
        count = math.ceil((self.stop_deg - self.start_deg) / _GRID_DEG) + 1
        return np.linspace(self.start_deg, self.stop_deg, count)

    @cached_property
    def grid_lift(self) -> Floats:
        """Lift over `grid_deg`."""
        return self.lift(self.grid_deg)

    @cached_property
    def nose_deg(self) -> float:
        """The angle of greatest lift: the highest grid point, then Newton's steps on the slope."""
        grid, s = self.grid_deg, self.grid_lift
        at = float(grid[min(max(int(s.argmax()), 1), s.size - 2)])
        step = float(grid[1] - grid[0])
        best = at
        for _ in range(4):
            slope, bend = float(self.lift(best, 1)[0]), float(self.lift(best, 2)[0])
            if bend >= 0:
                break
            before, best = best, float(np.clip(best - slope / bend, at - step, at + step))
            if abs(best - before) < 1e-7:
                break
        return best

    def crossings(self, lifts_mm: ArrayLike) -> tuple[Floats, Floats]:
        """(opening, closing): the angles at which the lift passes each of some lifts, the first met out from the nose.

        NaN where the lobe is not so high.
        """
        levels = np.atleast_1d(np.asarray(lifts_mm, float))
        grid, s = self.grid_deg, self.grid_lift
        top = int(s.argmax())
        reached = levels < s[top]
        # going outwards, the lowest lift met so far falls: the first grid point at or below a level is where it passes
        out_before = np.minimum.accumulate(s[top::-1])
        out_after = np.minimum.accumulate(s[top:])
        before = top - np.searchsorted(-out_before, -levels, side="left")
        after = top + np.searchsorted(-out_after, -levels, side="left")
        reached &= (before >= 0) & (after < s.size)
        low = np.concatenate([np.where(reached, before, 0), np.where(reached, after, 1)])
        high = np.concatenate([np.where(reached, before, 0) + 1, np.where(reached, after, 1) - 1])
        wanted = np.concatenate([levels, levels])
        rise = s[high] - s[low]
        at = grid[low] + (wanted - s[low]) / np.where(rise != 0, rise, 1.0) * (grid[high] - grid[low])
        least, most = np.minimum(grid[low], grid[high]), np.maximum(grid[low], grid[high])
        for _ in range(2):
            slope = self.lift(at, 1)
            at = np.clip(at - (self.lift(at) - wanted) / np.where(slope != 0, slope, np.inf), least, most)
        at[~np.concatenate([reached, reached])] = np.nan
        return at[: levels.size], at[levels.size :]

    def moved(self, by_deg: float) -> LiftCurve:
        """The same curve `by_deg` degrees later."""
        return LiftCurve(
            self.start_deg + by_deg, self.stop_deg + by_deg, self.pieces, self.coefficients, self.covariance
        )

    def mirrored(self) -> LiftCurve:
        """The same lobe turned the other way: the lift at minus each angle."""
        return LiftCurve(
            -self.stop_deg,
            -self.start_deg,
            self.pieces,
            self.coefficients[::-1].copy(),
            self.covariance[::-1, ::-1].copy(),
        )
