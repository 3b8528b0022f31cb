"""The lobe that the guide's drawings show: a real one, so that jaws, flanks and angles stand where they would.

Under a flat follower it lifts s(t) = L (1 - (t / b)^2)^2 for |t| < b, t in radians from the nose, nothing elsewhere.
Base circle and lift are of a common size; its whole event is 156 cam degrees, so that jaws can span the base circle,
and its nose radius r + L - 4 L / b^2 is 1.7 mm. Lengths are in millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians, sin

import numpy as np

from service.lobe.followers import contour_of_flat, jaw_width

BASE_RADIUS_MM = 10.93
LIFT_MM = 7.95
HALF_EVENT_RAD = radians(78)

Point = tuple[float, float]


def lift_mm(from_nose_rad: float) -> float:
    """Lift under a flat follower; the angle is from the nose, either way, at most half a turn."""
    share = from_nose_rad / HALF_EVENT_RAD
    return LIFT_MM * (1 - share**2) ** 2 if abs(share) < 1 else 0.0


def half_duration_deg(checking_lift_mm: float) -> float:
    """Cam degrees from the nose at which the lift is `checking_lift_mm`: the inverse of `lift_mm`."""
    return float(np.degrees(HALF_EVENT_RAD * (1 - (checking_lift_mm / LIFT_MM) ** 0.5) ** 0.5))


def outline(step_deg: float = 2.0) -> list[Point]:
    """The contour, its nose along the x axis."""
    t = np.radians(np.arange(-180, 180, step_deg))
    share = t / HALF_EVENT_RAD
    inside = np.abs(share) < 1
    s = np.where(inside, LIFT_MM * (1 - share**2) ** 2, 0.0)
    d1 = np.where(inside, -4 * LIFT_MM / HALF_EVENT_RAD * share * (1 - share**2), 0.0)
    d2 = np.where(inside, -4 * LIFT_MM / HALF_EVENT_RAD**2 * (1 - 3 * share**2), 0.0)
    contour = contour_of_flat(BASE_RADIUS_MM, t, s, d1, d2)
    if contour.undercut:
        raise ValueError("no flat follower can ride on this lobe")
    return list(zip(contour.x_mm.tolist(), contour.y_mm.tolist(), strict=True))


@dataclass(frozen=True)
class Jaws:
    """Two parallel jaws that touch the lobe: how far each is from the shaft's axis, along `at_deg` and against it."""

    at_deg: float
    near_mm: float
    far_mm: float

    @property
    def width_mm(self) -> float:
        """What the caliper reads."""
        return self.near_mm + self.far_mm


def jaws(at_deg: float) -> Jaws:
    """Jaws square to the direction `at_deg` from the nose (-180 to 180): w(t) = 2 r + s(t) + s(t + pi)."""
    t = radians(at_deg)
    opposite = t - np.pi if t > 0 else t + np.pi
    own, other = lift_mm(t), lift_mm(opposite)
    width = float(jaw_width(BASE_RADIUS_MM, own, other))
    return Jaws(at_deg, BASE_RADIUS_MM + own, width - BASE_RADIUS_MM - own)


def turned(point: Point, by_deg: float) -> Point:
    """A point turned about the axis."""
    c, s = cos(radians(by_deg)), sin(radians(by_deg))
    return point[0] * c - point[1] * s, point[0] * s + point[1] * c
