"""Durations: out of a lift table, or worked over from one checking lift to another.

A duration is the crankshaft degrees (two for each degree of the cam) for which the follower stands at or above a
checking lift, on the follower that the lift was taken with. Which follower that is, and whether the lift is at the
lobe or at the valve, is the caller's to know.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from service.domain.arrays import Floats

CRANK_DEG_PER_CAM_DEG = 2.0
"""A four-stroke crankshaft turns twice for one turn of the cam."""

CAM_TURN_DEG = 360.0

RISE_EXPONENT = math.log(1 / 2) / math.log(3 / 4)
"""p of the typical lobe (see `guess_durations`), 2.41: half the lift stands at half of the half-duration.

Every rise law that is symmetric about its middle (simple harmonic, cycloidal, 3-4-5, 4-5-6-7) does that exactly.
"""

_STEEPEST, _FLATTEST = 2.0, 0.5
"""How far below the lowest known checking lift the curve may bend away from a plain scaling of the typical lobe."""


def duration_at(points: Sequence[tuple[float, float]], checking_lift_mm: float) -> float | None:
    """The crank degrees above `checking_lift_mm` of a lift table `points`: (cam degrees, lift in mm), nose at 0.

    Angles may run from -180 to 180, from 0 round to 360, or along one flank only (all of 0 to 180, or of -180 to
    0), which is then taken for both. The lift is followed outwards from its highest point to the first crossing
    on each side, so a bump on the heel (a decompressor pin) is no part of it. A crossing is found on the cubic
    spline through the table, between the two points that straddle it; on straight lines with fewer than four points.

    0 where the lobe never gets as high; None where the table stops before the lift comes down to the checking lift.
    """
    angles, lifts = centred(points)
    if not len(angles):
        return None
    nose = int(np.argmax(lifts))
    if lifts[nose] <= checking_lift_mm:
        return 0.0
    below = lifts < checking_lift_mm
    opening = np.flatnonzero(below[:nose])
    closing = np.flatnonzero(below[nose:])
    if not len(opening) or not len(closing):
        return None
    curve = _curve(angles, lifts)

    def crossing(left: int) -> float:
        return float(brentq(lambda at: curve(at) - checking_lift_mm, angles[left], angles[left + 1], xtol=1e-9))

    opens, closes = crossing(int(opening[-1])), crossing(nose + int(closing[0]) - 1)
    return (closes - opens) * CRANK_DEG_PER_CAM_DEG


def centred(points: Sequence[tuple[float, float]]) -> tuple[Floats, Floats]:
    """The table in rising angle from -180 to 180, each angle once, a single flank mirrored."""
    table = np.asarray(points, dtype=float).reshape(-1, 2)
    angles, lifts = table[:, 0], table[:, 1]
    half = CAM_TURN_DEG / 2
    if len(angles) and (np.all((angles >= 0) & (angles <= half)) or np.all((angles <= 0) & (angles >= -half))):
        angles, lifts = np.concatenate([-angles, angles]), np.concatenate([lifts, lifts])
    else:
        angles = (angles + half) % CAM_TURN_DEG - half
    angles, first = np.unique(angles, return_index=True)
    return angles, lifts[first]


def _curve(angles: Floats, lifts: Floats) -> Callable[[float], float]:
    """Lift at an angle: a cubic spline where there are points enough, straight lines where not."""
    if len(angles) < 4:
        return lambda at: float(np.interp(at, angles, lifts))
    spline = CubicSpline(angles, lifts)
    return lambda at: float(spline(at))


def guess_duration(known: Sequence[tuple[float, float]], lift_mm: float, at_checking_lift_mm: float) -> float:
    """Crank degrees at another checking lift than the `known` (checking lift in mm, crank degrees) of one lobe.

    One lobe's form of `guess_durations`. Raises ValueError when nothing is known.
    """
    if not known:
        raise ValueError("no known duration to work from")
    lifts, durations = np.asarray(known, dtype=float).reshape(1, -1, 2).transpose(2, 0, 1)
    return float(guess_durations(lifts, durations, np.array([lift_mm]), at_checking_lift_mm)[0])


def guess_durations(
    known_checking_lifts_mm: ArrayLike,
    known_crank_deg: ArrayLike,
    lifts_mm: ArrayLike,
    at_checking_lift_mm: ArrayLike,
) -> Floats:
    """Crank degrees of many lobes at another checking lift, from their durations at known ones and their lift.

    Shapes: the two `known_` arrays (lobes, k), padded with NaN where a lobe has fewer than k; `lifts_mm` (lobes,);
    `at_checking_lift_mm` one number or (lobes,). The result is (lobes,), NaN where nothing is known.

    A typical lobe has lift s = L (1 - u^2)^p at u half-durations from its nose (p: `RISE_EXPONENT`), so its
    duration goes with u(s) = sqrt(1 - (s/L)^(1/p)), 1 at the seat and 0 at full lift. Against u a lobe's real
    duration is nearly a straight line: the guess runs in straight pieces from (0, 0) through the known points,
    each of which it meets exactly, and goes on below the lowest at the last piece's slope (kept within a factor of
    two of plain scaling, so that two close checking lifts cannot fling it). It never rises with the checking lift;
    known durations that do are held level. Our own construction: how far lobes stray from it is
    `duration_guess_sd` of the measuring model.
    """
    at = np.asarray(at_checking_lift_mm, dtype=float)
    full_lifts = np.asarray(lifts_mm, dtype=float)
    known_u, durations = _known_shares(known_checking_lifts_mm, known_crank_deg, full_lifts)
    u = _seat_share(np.broadcast_to(at, full_lifts.shape), full_lifts)

    guess = np.full(full_lifts.shape, np.nan)
    slope = np.full(full_lifts.shape, np.nan)
    u_before, duration_before = np.zeros(full_lifts.shape), np.zeros(full_lifts.shape)
    for column in range(known_u.shape[1]):
        u_here, duration_here = known_u[:, column], durations[:, column]
        present = ~np.isnan(u_here)
        rises = present & (u_here > u_before)
        width = np.where(rises, u_here - u_before, 1.0)
        slope = np.where(rises, (duration_here - duration_before) / width, slope)
        inside = present & np.isnan(guess) & (u <= u_here)
        guess = np.where(inside, duration_before + slope * (u - u_before), guess)
        u_before = np.where(present, u_here, u_before)
        duration_before = np.where(present, duration_here, duration_before)
    plain = duration_before / np.where(u_before > 0, u_before, np.nan)
    slope = np.clip(slope, _FLATTEST * plain, _STEEPEST * plain)
    beyond = duration_before + slope * (u - u_before)
    return np.clip(np.where(np.isnan(guess), beyond, guess), 0.0, CAM_TURN_DEG * CRANK_DEG_PER_CAM_DEG)


def flank_lift(points: Sequence[tuple[float, float]], included_cam_deg: float) -> float | None:
    """The mean lift (mm) of a lift table at the two places `included_cam_deg` apart, as far on either side of the nose.

    Where the nose is put wrong by a little one lift grows by what the other loses. None where the table stops short.
    """
    angles, lifts = centred(points)
    if not len(angles):
        return None
    nose = float(angles[np.argmax(lifts)])
    sides = (nose - included_cam_deg / 2, nose + included_cam_deg / 2)
    if min(sides) < angles[0] or max(sides) > angles[-1]:
        return None
    curve = _curve(angles, lifts)
    return max(0.0, sum(curve(at) for at in sides) / 2)


def guess_flank_lifts(
    known_checking_lifts_mm: ArrayLike, known_crank_deg: ArrayLike, lifts_mm: ArrayLike, included_cam_deg: float
) -> Floats:
    """The lift (mm) at which each lobe is `included_cam_deg` wide, from durations and lift as in `guess_durations`.

    That is the mean lift of the two places so far apart on a lobe alike on both sides: `guess_durations` the other way
    round. 0 for a lobe that is nowhere so wide, NaN where nothing is known.
    """
    full_lifts = np.asarray(lifts_mm, dtype=float)
    known_u, durations = _known_shares(known_checking_lifts_mm, known_crank_deg, full_lifts)
    wanted = included_cam_deg * CRANK_DEG_PER_CAM_DEG
    u, slope = np.full(full_lifts.shape, np.nan), np.full(full_lifts.shape, np.nan)
    u_before, duration_before = np.zeros(full_lifts.shape), np.zeros(full_lifts.shape)
    for column in range(known_u.shape[1]):
        u_here, duration_here = known_u[:, column], durations[:, column]
        rises = ~np.isnan(u_here) & (u_here > u_before) & (duration_here > duration_before)
        width = np.where(rises, u_here - u_before, 1.0)
        slope = np.where(rises, (duration_here - duration_before) / width, slope)
        inside = rises & np.isnan(u) & (wanted <= duration_here)
        u = np.where(inside, u_before + (wanted - duration_before) / slope, u)
        u_before = np.where(rises, u_here, u_before)
        duration_before = np.where(rises, duration_here, duration_before)
    plain = duration_before / np.where(u_before > 0, u_before, np.nan)
    beyond = u_before + (wanted - duration_before) / np.clip(slope, _FLATTEST * plain, _STEEPEST * plain)
    u = np.clip(np.where(np.isnan(u), beyond, u), 0.0, 1.0)
    return np.asarray(full_lifts * (1.0 - u**2) ** RISE_EXPONENT)


def _known_shares(
    known_checking_lifts_mm: ArrayLike, known_crank_deg: ArrayLike, full_lifts: Floats
) -> tuple[Floats, Floats]:
    """The known durations (lobes, k) against the typical lobe's u, in rising u, never falling; NaN last."""
    known_u = _seat_share(np.asarray(known_checking_lifts_mm, dtype=float), full_lifts[:, None])
    # a duration said to be at full lift or above it tells nothing of the flanks
    durations = np.where(known_u > 0, np.asarray(known_crank_deg, dtype=float), np.nan)
    known_u = np.where(np.isnan(durations), np.nan, known_u)
    order = np.argsort(known_u, axis=1)  # NaN goes last
    known_u = np.take_along_axis(known_u, order, axis=1)
    return known_u, np.fmax.accumulate(np.take_along_axis(durations, order, axis=1), axis=1)


def _seat_share(checking_lift_mm: Floats, lift_mm: Floats) -> Floats:
    """u(s) of the typical lobe: the share of its seated duration that it stands above `checking_lift_mm`."""
    share = np.clip(checking_lift_mm / np.where(lift_mm > 0, lift_mm, np.nan), 0.0, 1.0)
    return np.sqrt(1.0 - share ** (1.0 / RISE_EXPONENT))
