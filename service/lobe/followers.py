"""Followers on a lobe: one contour, and what a flat face, a roller or a point makes of it.

Everything goes through the lobe's *support function* h(t) = r + s(t): the distance from the shaft's axis to a flat face
that touches the lobe square to the direction t, r the base radius, s the lift under a flat follower. With ' for the
derivative by t in radians (form: any text on disc cams; checked against the rows of published problems in the tests):

    contour               x = h cos t - h' sin t,  y = h sin t + h' cos t
    radius of curvature   rho = h + h''
    a roller's centre     as the contour with h + r_roller for h: its path is the contour moved outwards

A flat face can only have cut a contour with rho > 0 everywhere. A contour found from a roller or a point may be
*hollow* (rho < 0: a flat face would bridge it), and a roller table may ask for a contour that the roller itself would
cut away (*undercut*). Angles are cam radians, lengths millimetres, arrays one-dimensional over one whole turn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline

from service.domain.arrays import Floats
from service.domain.catalogue import FollowerKind

TURN = 2 * np.pi
_HOLLOW_MM = 1e-9


@dataclass(frozen=True)
class Follower:
    """A translating follower. `radius_mm` of a roller; `offset_mm` from the shaft's axis to the line it moves along.

    A point is a roller of no radius. An offset does not change what a flat face reads.
    """

    kind: FollowerKind = FollowerKind.FLAT
    radius_mm: float = 0.0
    offset_mm: float = 0.0

    def __post_init__(self) -> None:
        if (self.kind is FollowerKind.ROLLER) != (self.radius_mm > 0):
            raise ValueError("a roller has a radius above 0, a flat face and a point have none")


FLAT = Follower()


@dataclass(frozen=True, eq=False)
class Contour:
    """A lobe's outline: points (x, y) and the radius of curvature there, in the order of the cam's angle.

    `radius_mm` is negative where the outline is hollow; `undercut` says that no follower of the size stated can have
    followed it (an outline that crosses itself).
    """

    x_mm: Floats
    y_mm: Floats
    radius_mm: Floats
    undercut: bool = False

    @property
    def hollow(self) -> bool:
        """Whether a flat face would bridge some of it."""
        return bool(np.any(self.radius_mm < -_HOLLOW_MM))


def contour_of_flat(
    base_radius_mm: float, cam_rad: ArrayLike, lift: ArrayLike, d1: ArrayLike, d2: ArrayLike
) -> Contour:
    """The outline under a flat follower's `lift` (mm), `d1` its first and `d2` its second derivative by radian.

    Where rho = r + s + s'' is not above zero the outline has a cusp: no flat face can have cut it (`undercut`), and the
    base radius would have to be larger by the least rho (`least_base_radius`).
    """
    t, h1 = np.asarray(cam_rad, float), np.asarray(d1, float)
    h = base_radius_mm + np.asarray(lift, float)
    rho = h + np.asarray(d2, float)
    x, y = h * np.cos(t) - h1 * np.sin(t), h * np.sin(t) + h1 * np.cos(t)
    return Contour(x, y, rho, undercut=bool(np.any(rho <= 0)))


def least_base_radius(lift: ArrayLike, d2: ArrayLike) -> float:
    """The smallest base radius (mm) on which a flat follower's lift leaves no cusp: -min(s + s''), 0 at least."""
    return max(0.0, -float(np.min(np.asarray(lift, float) + np.asarray(d2, float))))


def least_face_radius(d1: ArrayLike) -> float:
    """How far the contact runs off the middle of a flat face, in mm: max |s'|, s' by radian."""
    return float(np.max(np.abs(np.asarray(d1, float))))


def flat_lift_of(contour: Contour, base_radius_mm: float, cam_rad: ArrayLike) -> Floats:
    """What a flat face reads on an outline at some angles: h(t) = max(x cos t + y sin t), less the base radius.

    A hollow is bridged. Between two outline points the support is followed on the parabola through three.
    """
    t = np.asarray(cam_rad, float)
    reach = np.outer(np.cos(t), contour.x_mm) + np.outer(np.sin(t), contour.y_mm)
    at = reach.argmax(axis=1)
    rows, n = np.arange(t.size), contour.x_mm.size
    low, top, high = reach[rows, at - 1], reach[rows, at], reach[rows, (at + 1) % n]
    bend = low - 2 * top + high
    shift = np.where(bend < 0, 0.5 * (low - high) / np.where(bend < 0, bend, -1.0), 0.0)
    return np.asarray(top - 0.25 * (low - high) * np.clip(shift, -0.5, 0.5) - base_radius_mm)


def lift_under(
    follower: Follower, base_radius_mm: float, cam_rad: ArrayLike, lift: ArrayLike, d1: ArrayLike
) -> tuple[Floats, Floats]:
    """(cam angle in radians, lift in mm) of `follower` on a lobe given as a flat follower's lift and derivative.

    Each given direction is one position of contact; the follower's own angle there differs from it by the angle
    between contact and travel, so the angles come back moved. Radius of the centre P = sqrt(H^2 + H'^2), its polar
    angle t + atan2(H', H), H = r + s + r_roller; with an offset e the lift is sqrt(P^2 - e^2), less its value on the
    base circle, and the angle turns back by asin(e / P).
    """
    t, s, h1 = np.asarray(cam_rad, float), np.asarray(lift, float), np.asarray(d1, float)
    if follower.kind is FollowerKind.FLAT:
        return t, s
    resting = base_radius_mm + follower.radius_mm
    h = resting + s
    centre, e = np.hypot(h, h1), follower.offset_mm
    turned = t + np.arctan2(h1, h) - np.arcsin(e / centre) + np.arcsin(e / resting)
    return turned, np.sqrt(centre**2 - e**2) - np.sqrt(resting**2 - e**2)


def pressure_angle(
    base_radius_mm: float, roller_radius_mm: float, cam_rad: ArrayLike, lift: ArrayLike, offset_mm: float = 0.0
) -> Floats:
    """The angle (radians) between a roller's travel and the line of contact, from its own lift over one turn.

    tan(phi) = (s' - e) / (s + sqrt((r + r_roller)^2 - e^2)).
    """
    t, s = np.asarray(cam_rad, float), np.asarray(lift, float)
    d1 = _periodic(t, s)(t, 1)
    stand = np.sqrt((base_radius_mm + roller_radius_mm) ** 2 - offset_mm**2)
    return np.asarray(np.arctan2(d1 - offset_mm, s + stand))


def contour_of_roller(
    base_radius_mm: float,
    follower: Follower,
    cam_rad: ArrayLike,
    lift: ArrayLike,
    d1: ArrayLike | None = None,
    d2: ArrayLike | None = None,
) -> Contour:
    """The outline on which `follower` (roller or point) has the lift given over one turn.

    The centre runs at distance q = s + sqrt((r + r_roller)^2 - e^2) along its line of travel; the outline lies one
    roller radius inside its path, square to it. Curvature of the outline: that of the path less the roller's radius.
    `undercut` where the path bends more sharply than the roller. Derivatives by radian; left out, they are taken from
    a periodic cubic spline through the lift.
    """
    t, s = np.asarray(cam_rad, float), np.asarray(lift, float)
    e, resting = follower.offset_mm, base_radius_mm + follower.radius_mm
    if d1 is None or d2 is None:
        spline = _periodic(t, s)
        d1, d2 = spline(t, 1), spline(t, 2)
    q, q1, q2 = s + np.sqrt(resting**2 - e**2), np.asarray(d1, float), np.asarray(d2, float)
    cos, sin = np.cos(t), np.sin(t)
    # the centre in the cam's own frame, and its first two derivatives by the cam's angle
    px, py = q * cos - e * sin, q * sin + e * cos
    vx, vy = (q1 - e) * cos - q * sin, (q1 - e) * sin + q * cos
    ax, ay = (q2 - q) * cos - (2 * q1 - e) * sin, (q2 - q) * sin + (2 * q1 - e) * cos
    speed = np.hypot(vx, vy)
    bend = (vx * ay - vy * ax) / speed**3
    path = np.full(bend.shape, np.inf)
    np.divide(1.0, bend, out=path, where=bend != 0)
    x = px - follower.radius_mm * vy / speed
    y = py + follower.radius_mm * vx / speed
    undercut = bool(np.any((path > 0) & (path < follower.radius_mm)))
    return Contour(x, y, path - follower.radius_mm, undercut)


def flat_from(
    follower: Follower, base_radius_mm: float, cam_rad: ArrayLike, lift: ArrayLike, at_rad: ArrayLike | None = None
) -> tuple[Floats, Contour]:
    """(flat follower's lift at `at_rad`, or at the angles given; the outline) from another follower's lift.

    Over one whole turn, the angles rising. A hollow outline is bridged as a flat face would: `Contour.hollow` says so.
    """
    t, s = np.asarray(cam_rad, float), np.asarray(lift, float)
    wanted = t if at_rad is None else np.asarray(at_rad, float)
    if follower.kind is FollowerKind.FLAT:
        spline = _periodic(t, s)
        outline = contour_of_flat(base_radius_mm, t, s, spline(t, 1), spline(t, 2))
        return (s if at_rad is None else np.asarray(spline(wanted))), outline
    turned = np.arcsin(follower.offset_mm / (base_radius_mm + follower.radius_mm))
    outline = contour_of_roller(base_radius_mm, follower, t, s)
    # with an offset the resting contact lies off the line of travel by `turned`
    return flat_lift_of(outline, base_radius_mm, wanted + turned), outline


def jaw_width(base_radius_mm: float, flat_lift: ArrayLike, lift_opposite: ArrayLike) -> Floats:
    """What two parallel jaws span at an angle: w(t) = 2 r + s(t) + s(t + pi), both lifts a flat follower's."""
    return np.asarray(2 * base_radius_mm + np.asarray(flat_lift, float) + np.asarray(lift_opposite, float))


@dataclass(frozen=True)
class JawReadings:
    """What a caliper finds on a lobe: the largest and the smallest width, in mm.

    `event_too_long`: the lobe lifts for half a turn or more, so that no position of the jaws spans the base circle,
    and the smallest width is `base_large_mm` above the base circle diameter.
    """

    height_mm: float
    base_mm: float
    base_large_mm: float

    @property
    def event_too_long(self) -> bool:
        """Whether the smallest width is not the base circle."""
        return self.base_large_mm > 1e-6


def jaw_readings(base_radius_mm: float, flat_lift: ArrayLike) -> JawReadings:
    """The readings of a caliper turned round a lobe. `flat_lift` is over one turn, equally spaced, an even number."""
    s = np.asarray(flat_lift, float)
    if s.size % 2:
        raise ValueError("half a turn must be a whole number of steps")
    widths = jaw_width(base_radius_mm, s, np.roll(s, s.size // 2))
    return JawReadings(float(widths.max()), float(widths.min()), float(widths.min() - 2 * base_radius_mm))


def _periodic(t: Floats, s: Floats) -> CubicSpline:
    """The periodic cubic spline through one turn's points."""
    return CubicSpline(np.append(t, t[0] + TURN), np.append(s, s[0]), bc_type="periodic")
