"""The figures a cam card carries, out of a lobe's curve, each with its standard uncertainty.

Uncertainties come from the scatter of the table about its curve alone: what the indicator and the degree wheel add is
their own. Each figure F is followed to first order, u(F)^2 = g' C g (JCGM 100, 5.2); g is written beside it.
Lengths in mm, angles in cam degrees unless the name says crank.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from service.domain.arrays import Floats
from service.domain.units import MM_PER_INCH
from service.lobe.curve import LiftCurve
from service.lobe.timing import CRANK_DEG_PER_CAM_DEG

_INCH_MM = float(MM_PER_INCH)
CHECKING_LIFTS_MM = (
    0.006 * _INCH_MM, 0.010 * _INCH_MM, 0.020 * _INCH_MM, 1.0, 0.050 * _INCH_MM, 0.100 * _INCH_MM, 0.200 * _INCH_MM,
)  # fmt: skip
"""0.006, 0.010, 0.020 in, 1 mm, 0.050, 0.100 and 0.200 in: where cards state durations (common practice, no source)."""
_RAMP_FROM_MM, _RAMP_TO_MM = CHECKING_LIFTS_MM[0], CHECKING_LIFTS_MM[2]
_SKEW_LOW_MM = CHECKING_LIFTS_MM[4]
_SKEW_HIGH_SHARE = 0.9
_CHORDS = np.linspace(0.2, 0.8, 13)


@dataclass(frozen=True)
class Figure:
    """A value with its standard uncertainty, in one unit."""

    value: float
    sd: float


@dataclass(frozen=True)
class DurationFigure:
    """Crank degrees at or above a checking lift; `opens` and `closes` are the crossings, in unwrapped cam degrees."""

    checking_lift_mm: float
    crank_deg: Figure
    opens_cam_deg: Figure
    closes_cam_deg: Figure


@dataclass(frozen=True)
class LobeFigures:
    """What one lobe's curve says.

    `centre` is the mean of the middles of 13 chords of equal lift, from a fifth to four fifths of the lift; it is the
    one used for separation. `mirror_centre` is the angle about which the lobe is nearest its own mirror image.
    `asymmetry` is how far the middle moves from the chord at nine tenths of the lift to the one at 0.050 in, above 0
    where the closing side is the slower; ramps run from 0.006 to 0.020 in; `area` is in mm x crank degrees.
    """

    lift: Figure
    nose: Figure
    centre: Figure
    mirror_centre: Figure
    durations: tuple[DurationFigure, ...]
    area: Figure
    opening_ramp: Figure | None
    closing_ramp: Figure | None
    asymmetry: Figure | None


def lobe_figures(curve: LiftCurve, checking_lifts_mm: tuple[float, ...] = CHECKING_LIFTS_MM) -> LobeFigures:
    """Every figure of a lobe; a checking lift above its lift is left out."""
    lift = lift_figure(curve)
    levels = [*(_CHORDS * lift.value), _SKEW_LOW_MM, _SKEW_HIGH_SHARE * lift.value, _RAMP_FROM_MM, _RAMP_TO_MM]
    chords = _chords(curve, np.array([*levels, *checking_lifts_mm]))
    inner, (skew_low, skew_high, ramp_from, ramp_to) = chords[: _CHORDS.size], chords[_CHORDS.size : len(levels)]
    found = [c for c in inner if c is not None]
    middles = np.array([(c.opens + c.closes) / 2 for c in found])
    centre = Figure(float(middles.mean()), curve.sd(np.mean([(c.opens_by + c.closes_by) / 2 for c in found], axis=0)))
    return LobeFigures(
        lift=lift,
        nose=_nose(curve),
        centre=centre,
        mirror_centre=_mirror_centre(curve, centre.value),
        durations=_durations(curve, checking_lifts_mm, chords[len(levels) :]),
        area=_area(curve),
        opening_ramp=_ramp(curve, ramp_from, ramp_to, opening=True),
        closing_ramp=_ramp(curve, ramp_from, ramp_to, opening=False),
        asymmetry=_asymmetry(curve, skew_low, skew_high),
    )


def lift_figure(curve: LiftCurve) -> Figure:
    """The greatest lift. g is the basis at the nose.

    The top of a curve that is off by chance lies, on average, var(s') / (2 |s''|) above the true one: that is taken
    off.
    """
    nose = curve.nose_deg
    bend = float(curve.lift(nose, 2)[0])
    excess = float(curve.lift_sd(nose, 1)[0]) ** 2 / (2 * -bend) if bend < 0 else 0.0
    sd = float(curve.lift_sd(nose)[0])
    # where the nose is so flat that first order fails, the excess is no more than its own uncertainty
    return Figure(float(curve.lift(nose)[0]) - min(excess, sd), sd)


def _nose(curve: LiftCurve) -> Figure:
    """The angle of greatest lift: s' = 0, so g = -B' / s''."""
    nose = curve.nose_deg
    bend = float(curve.lift(nose, 2)[0])
    return Figure(nose, curve.sd(curve.basis(nose, 1)[0] / bend) if bend < 0 else math.inf)


@dataclass(frozen=True, eq=False)
class _Chord:
    """The two crossings of a lift, and their derivatives by the coefficients: -B / s' at each."""

    opens: float
    closes: float
    opens_by: Floats
    closes_by: Floats


def _chords(curve: LiftCurve, lifts_mm: Floats) -> list[_Chord | None]:
    """The chord at each of some lifts; None where the lobe is not so high, or its curve is level there."""
    opens, closes = curve.crossings(lifts_mm)
    at = np.nan_to_num(np.concatenate([opens, closes]), nan=curve.start_deg)
    slopes = curve.lift(at, 1)
    by = -curve.basis(at) / np.where(slopes != 0, slopes, 1.0)[:, None]
    n = lifts_mm.size
    sound = np.isfinite(opens) & np.isfinite(closes) & (slopes[:n] > 0) & (slopes[n:] < 0)
    return [_Chord(float(opens[i]), float(closes[i]), by[i], by[n + i]) if sound[i] else None for i in range(n)]


def _durations(
    curve: LiftCurve, checking_lifts_mm: tuple[float, ...], chords: list[_Chord | None]
) -> tuple[DurationFigure, ...]:
    """Crank degrees above checking lifts, g = 2 (g_closes - g_opens)."""
    return tuple(
        DurationFigure(
            at,
            Figure(
                (c.closes - c.opens) * CRANK_DEG_PER_CAM_DEG,
                curve.sd(CRANK_DEG_PER_CAM_DEG * (c.closes_by - c.opens_by)),
            ),
            Figure(c.opens, curve.sd(c.opens_by)),
            Figure(c.closes, curve.sd(c.closes_by)),
        )
        for at, c in zip(checking_lifts_mm, chords, strict=True)
        if c is not None
    )


def duration_figures(curve: LiftCurve, checking_lifts_mm: tuple[float, ...]) -> tuple[DurationFigure, ...]:
    """Crank degrees above each checking lift; one above the lobe's lift is left out."""
    return _durations(curve, checking_lifts_mm, _chords(curve, np.array(checking_lifts_mm)))


def _area(curve: LiftCurve) -> Figure:
    """The integral of lift over crank degrees; g is the basis' own integral."""
    grid = curve.grid_deg
    weight = np.full(grid.size, grid[1] - grid[0])
    weight[[0, -1]] /= 2
    gradient = CRANK_DEG_PER_CAM_DEG * (weight @ curve.basis(grid))
    return Figure(float(gradient @ curve.coefficients), curve.sd(gradient))


def _ramp(curve: LiftCurve, low: _Chord | None, high: _Chord | None, *, opening: bool) -> Figure | None:
    if low is None or high is None:
        return None
    if opening:
        return Figure(high.opens - low.opens, curve.sd(high.opens_by - low.opens_by))
    return Figure(low.closes - high.closes, curve.sd(low.closes_by - high.closes_by))


def _asymmetry(curve: LiftCurve, low: _Chord | None, high: _Chord | None) -> Figure | None:
    if low is None or high is None:
        return None
    gradient = (low.opens_by + low.closes_by - high.opens_by - high.closes_by) / 2
    return Figure((low.opens + low.closes - high.opens - high.closes) / 2, curve.sd(gradient))


def _mirror_centre(curve: LiftCurve, begun_at: float) -> Figure:
    """The c that makes the integral of (s(c+u) - s(c-u))^2 over u least.

    Its derivative, F(c) = int d (s'(c+u) - s'(c-u)) du with d the difference, is nothing there; Newton's steps find it
    and g = -F_by_coefficients / F_by_c.
    """
    reach = max(curve.stop_deg - begun_at, begun_at - curve.start_deg)
    u = np.linspace(0.0, reach, 181)
    c = begun_at
    slope_by_c, by = 1.0, np.zeros(curve.coefficients.size)
    for _ in range(3):
        ahead, behind = c + u, c - u
        difference = curve.lift(ahead) - curve.lift(behind)
        slopes = curve.lift(ahead, 1) - curve.lift(behind, 1)
        slope_by_c = float(slopes @ slopes + difference @ (curve.lift(ahead, 2) - curve.lift(behind, 2)))
        if slope_by_c <= 0:
            break
        c -= float(np.clip(difference @ slopes / slope_by_c, -5.0, 5.0))
    ahead, behind = c + u, c - u
    difference = curve.lift(ahead) - curve.lift(behind)
    slopes = curve.lift(ahead, 1) - curve.lift(behind, 1)
    by = slopes @ (curve.basis(ahead) - curve.basis(behind)) + difference @ (
        curve.basis(ahead, 1) - curve.basis(behind, 1)
    )
    return Figure(c, curve.sd(by / slope_by_c) if slope_by_c > 0 else math.inf)


@dataclass(frozen=True)
class ValveFigures:
    """What the valve does under a rocker ratio and a lash (mm, at the valve); checking lifts are at the valve."""

    lift: Figure
    durations: tuple[DurationFigure, ...]


def valve_figures(
    curve: LiftCurve, rocker_ratio: float, lash_mm: float, checking_lifts_mm: tuple[float, ...] = CHECKING_LIFTS_MM
) -> ValveFigures:
    """Valve lift = lobe lift x ratio - lash; the valve stands at y where the lobe stands at (y + lash) / ratio."""
    at_lobe = lift_figure(curve)
    there = tuple((at + lash_mm) / rocker_ratio for at in checking_lifts_mm)
    back = dict(zip(there, checking_lifts_mm, strict=True))
    found = tuple(replace(d, checking_lift_mm=back[d.checking_lift_mm]) for d in duration_figures(curve, there))
    return ValveFigures(Figure(at_lobe.value * rocker_ratio - lash_mm, at_lobe.sd * rocker_ratio), found)
