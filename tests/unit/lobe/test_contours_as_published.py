"""Contours, followers and curvature against textbooks' cams.

Bevan: T. Bevan, The Theory of Machines, chapter 9, example 5, p. 300 (circular-arc cam, flat follower): the book prints
the lengths and velocities, the rest follows from its equations. Cycloidal contour: the closed form of cycloidal motion
put through the flat-face form of an open lecture note on disc cams ("Lecture-17"), computed to the digits shown.
Tangent cam: closed form (r1 + r2) (1 - cos t) / cos t (keyed examination question).
"""

import math

import numpy as np
import pytest

from service.domain.catalogue import FollowerKind
from service.lobe.followers import (
    Follower,
    contour_of_flat,
    contour_of_roller,
    jaw_readings,
    least_base_radius,
    least_face_radius,
    lift_under,
    pressure_angle,
)

RISE_MM, OVER, BASE_MM = 8.0, math.radians(70), 15.0


def cycloidal_rise(degrees):
    x = np.radians(np.asarray(degrees, float)) / OVER
    s = RISE_MM * (x - np.sin(2 * np.pi * x) / (2 * np.pi))
    d1 = RISE_MM / OVER * (1 - np.cos(2 * np.pi * x))
    d2 = 2 * np.pi * RISE_MM / OVER**2 * np.sin(2 * np.pi * x)
    return np.radians(degrees), s, d1, d2


CYCLOIDAL = [  # degrees, lift, s', s'', x, y, rho, in mm and by radian
    (10, 0.147398, 2.465422, 26.328868, 14.489159, 5.058285, 41.476267),
    (20, 1.044398, 8.005176, 32.831562, 12.338871, 13.009912, 48.875959),
    (35, 4.000000, 13.096178, 0, 8.052230, 21.625713, 19.000000),
    (50, 6.955602, 8.005176, -32.831562, 7.980469, 21.964595, -10.875959),
    (60, 7.852602, 2.465422, -26.328868, 9.291182, 21.023645, -3.476267),
    (70, 8.000000, 0, 0, 7.866463, 21.612930, 23.000000),
]


@pytest.mark.parametrize("row", CYCLOIDAL, ids=lambda row: f"{row[0]} degrees")
def test_a_cycloidal_cams_contour_comes_out_as_computed_by_hand(row):
    t, s, d1, d2 = cycloidal_rise([row[0]])
    outline = contour_of_flat(BASE_MM, t, s, d1, d2)
    found = [s[0], d1[0], d2[0], outline.x_mm[0], outline.y_mm[0], outline.radius_mm[0]]
    assert found == pytest.approx(row[1:], abs=1e-6)


def test_a_flat_face_cannot_have_cut_a_cusp():
    t, s, d1, d2 = cycloidal_rise(np.arange(0, 70.5, 0.5))
    assert contour_of_flat(BASE_MM, t, s, d1, d2).undercut
    assert contour_of_flat(BASE_MM, t, s, d1, d2).hollow
    assert not contour_of_flat(26.5, t, s, d1, d2).undercut


def test_the_least_base_radius_and_face_of_a_cycloidal_rise():
    _, s, d1, d2 = cycloidal_rise(np.arange(0, 70.0001, 0.001))
    assert least_base_radius(s, d2) == pytest.approx(26.427666, abs=1e-6)
    assert least_face_radius(d1) == pytest.approx(13.096178, abs=1e-6)


def whole_turn(rise):
    """A rise of 70 degrees, a fall like it, and the base circle, every quarter of a degree."""
    at = np.arange(0, 360, 0.05)
    up = np.where(at <= 70, at, np.where(at <= 140, 140 - at, 0.0))
    return np.radians(at), cycloidal_rise(up)[1]


@pytest.mark.parametrize(("degrees", "expected"), [(20, 18.414308), (35, 25.875409), (50, 14.961797)])
def test_a_rollers_pressure_angle_on_the_same_rise(degrees, expected):
    t, s = whole_turn(None)
    found = np.degrees(pressure_angle(BASE_MM, 8.0, t, s))
    assert found[round(degrees / 0.05)] == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize(
    ("degrees", "x", "y", "rho"), [(35, 14.218339, 14.217909, 17.207509), (50, 12.704935, 18.354343, 6.838567)]
)
def test_a_rollers_contour_on_the_same_rise(degrees, x, y, rho):
    t, s = whole_turn(None)
    outline = contour_of_roller(BASE_MM, Follower(FollowerKind.ROLLER, 8.0), t, s)
    row = round(degrees / 0.05)
    assert (outline.x_mm[row], outline.y_mm[row]) == pytest.approx((x, y), abs=1e-4)
    assert outline.radius_mm[row] == pytest.approx(rho, abs=1e-2)


@pytest.mark.parametrize(("degrees", "lift"), [(5, 0.0954959), (10, 0.3856653), (20, 1.6044443)])
def test_a_tangent_cams_roller_rises_by_the_closed_form(degrees, lift):
    # r1 = 15, r2 = 10; a flat flank has no lift under a flat face that stands off it: its support is r1 at one angle,
    # so the roller's positions are taken from the outline
    t = np.radians(np.arange(-60, 60, 0.01))
    roller = Follower(FollowerKind.ROLLER, 10.0)
    s = 25.0 * (1 - np.cos(t)) / np.cos(t)
    d1 = 25.0 * np.sin(t) / np.cos(t) ** 2
    d2 = 25.0 * (1 + np.sin(t) ** 2) / np.cos(t) ** 3
    outline = contour_of_roller(15.0, roller, t, s, d1, d2)
    assert outline.x_mm == pytest.approx(np.full(t.size, 15.0), abs=1e-9), "the flank is straight"
    assert s[np.argmin(np.abs(t - math.radians(degrees)))] == pytest.approx(lift, abs=1e-6)


def test_a_harmonic_lift_over_a_whole_turn_is_an_eccentric_circle():
    # 50 mm of simple harmonic motion on a base radius of 25 mm: the circle of radius 50 about (-25, 0)
    t = np.linspace(0, 2 * np.pi, 721)
    outline = contour_of_flat(25.0, t, 25 * (1 - np.cos(t)), 25 * np.sin(t), 25 * np.cos(t))
    assert np.hypot(outline.x_mm + 25, outline.y_mm) == pytest.approx(np.full(721, 50.0))
    assert outline.radius_mm == pytest.approx(np.full(721, 50.0))
    assert least_face_radius(25 * np.sin(t)) * 2 == pytest.approx(50.0)


BEVAN_BASE, BEVAN_LIFT, BEVAN_NOSE, BEVAN_HALF = 1.125, 0.5, 0.125, math.radians(55)


def bevan(from_start):
    """Lift and its derivatives by radian from the start of the flank, in inches."""
    oq = BEVAN_BASE + BEVAN_LIFT - BEVAN_NOSE
    gap = BEVAN_BASE - BEVAN_NOSE
    op = (oq**2 - gap**2) / (2 * (gap - oq * math.cos(BEVAN_HALF)))
    phi = math.atan2(oq * math.sin(BEVAN_HALF), op + oq * math.cos(BEVAN_HALF))
    t = np.asarray(from_start, float)
    flank = t <= phi
    rest = BEVAN_HALF - t
    return (
        np.where(flank, op * (1 - np.cos(t)), oq * np.cos(rest) - gap),
        np.where(flank, op * np.sin(t), oq * np.sin(rest)),
        np.where(flank, op * np.cos(t), -oq * np.cos(rest)),
    )


def test_a_circular_arc_cam_has_the_books_three_radii():
    t = np.radians([5.0, 10.0, 12.9, 13.1, 30.0, 54.0])
    outline = contour_of_flat(BEVAN_BASE, t, *bevan(t))
    assert outline.radius_mm == pytest.approx([5.60094] * 3 + [0.125] * 3, abs=1e-5)


def test_the_books_velocity_and_acceleration_on_the_nose():
    # 1200 rpm of the cam; the book prints 15.71 ft/s and 1974 ft/s^2 as the nose's amplitudes
    omega = 2 * math.pi * 1200 / 60
    _, d1, d2 = bevan(np.array([0.0, math.radians(12.96681), BEVAN_HALF]))
    assert d1[1] * omega / 12 == pytest.approx(10.51744, abs=1e-4)
    assert d2[0] * omega**2 / 12 == pytest.approx(5890.1, abs=0.05)
    assert -d2[2] * omega**2 / 12 == pytest.approx(1973.9, abs=0.05)


def test_a_point_on_a_circular_arc_cam_rises_as_a_radius_does():
    # on the nose the radius is R = OQ cos b + sqrt(r^2 - OQ^2 sin^2 b), b the angle from the nose
    t = np.radians(np.arange(0, 110, 0.02))
    half = np.minimum(t, 2 * BEVAN_HALF - t)
    s, d1, _ = bevan(half)
    d1 = np.where(t > BEVAN_HALF, -d1, d1)
    at, lift = lift_under(Follower(FollowerKind.POINT), BEVAN_BASE, t, s, d1)
    from_nose = np.radians(3.0)
    expected = 1.5 * math.cos(from_nose) + math.sqrt(0.125**2 - 1.5**2 * math.sin(from_nose) ** 2) - BEVAN_BASE
    assert np.interp(BEVAN_HALF - from_nose, at, lift) == pytest.approx(expected, abs=1e-6)


def test_a_lobe_that_lifts_for_more_than_half_a_turn_hides_its_base_circle_from_a_caliper():
    t = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    eccentric = jaw_readings(25.0, 25 * (1 - np.cos(t)))
    assert eccentric.event_too_long
    assert (eccentric.height_mm, eccentric.base_mm) == pytest.approx((100.0, 100.0)), "a circle is as wide everywhere"
    short = np.where(t < np.pi * 0.9, 4 * (1 - np.cos(t / 0.45)), 0.0)
    plain = jaw_readings(25.0, short)
    assert not plain.event_too_long
    assert (plain.height_mm, plain.base_mm) == pytest.approx((58.0, 50.0), abs=1e-3)
