"""Followers against brute force: the outline as a polygon (shapely), and a face, a roller or jaws pushed against it."""

import math

import numpy as np
import pytest
from shapely import Point, Polygon, affinity

from service.domain.catalogue import FollowerKind
from service.lobe.followers import (
    FLAT,
    Follower,
    contour_of_flat,
    contour_of_roller,
    flat_from,
    flat_lift_of,
    jaw_width,
    lift_under,
)
from tests.unit.lobe.lobes import Lobe, harmonic, polynomial

BASE_MM = 11.0
T = np.linspace(-np.pi, np.pi, 14400, endpoint=False)
LOBES = {
    "even": Lobe(polynomial, 7.9, 76, 76),
    "uneven": Lobe(harmonic, 7.2, 84, 92),
}


def flat_motion(lobe):
    s = lobe.at(np.degrees(T))
    step = T[1] - T[0]
    d1 = (np.roll(s, -1) - np.roll(s, 1)) / (2 * step)
    d2 = (np.roll(s, -1) - 2 * s + np.roll(s, 1)) / step**2
    return s, d1, d2


def outline_of(lobe):
    outline = contour_of_flat(BASE_MM, T, *flat_motion(lobe))
    assert not outline.undercut
    return Polygon(np.column_stack([outline.x_mm, outline.y_mm])), outline


def disc_stands_at(shape, angle, radius, offset):
    """How far out the centre of a disc rests on the shape along a line at `angle`, `offset` to its left."""
    along, across = np.array([math.cos(angle), math.sin(angle)]), np.array([-math.sin(angle), math.cos(angle)])
    low, high = 0.0, 60.0
    for _ in range(60):
        middle = (low + high) / 2
        at = along * middle + across * offset
        clear = shape.distance(Point(at)) > radius if radius else not shape.contains(Point(at))
        low, high = (low, middle) if clear else (middle, high)
    return low


@pytest.mark.parametrize("name", LOBES)
def test_the_area_inside_the_outline_is_the_polygons(name):
    lobe = LOBES[name]
    shape, _ = outline_of(lobe)
    s, d1, _ = flat_motion(lobe)
    # of a convex outline with support h: half the integral of h^2 - h'^2
    h = BASE_MM + s
    assert shape.area == pytest.approx(0.5 * np.sum(h**2 - d1**2) * (T[1] - T[0]), rel=1e-6)


@pytest.mark.parametrize("name", LOBES)
@pytest.mark.parametrize("degrees", [-70, -35, -4, 0, 20, 61, 150])
def test_jaws_span_what_the_turned_polygon_is_wide(name, degrees):
    lobe = LOBES[name]
    shape, _ = outline_of(lobe)
    west, _, east, _ = affinity.rotate(shape, -degrees, origin=(0, 0)).bounds
    width = jaw_width(BASE_MM, lobe.at(np.array([degrees])), lobe.at(np.array([degrees + 180.0])))
    assert width[0] == pytest.approx(east - west, abs=1e-4)


@pytest.mark.parametrize("name", LOBES)
def test_a_flat_face_reads_the_polygons_support(name):
    lobe = LOBES[name]
    shape, outline = outline_of(lobe)
    corners = np.asarray(shape.exterior.coords)
    at = np.radians(np.arange(-90, 91, 7.0))
    brute = (np.cos(at)[:, None] * corners[:, 0] + np.sin(at)[:, None] * corners[:, 1]).max(axis=1) - BASE_MM
    assert flat_lift_of(outline, BASE_MM, at) == pytest.approx(brute, abs=1e-4)
    assert flat_lift_of(outline, BASE_MM, at) == pytest.approx(lobe.at(np.degrees(at)), abs=1e-5)


@pytest.mark.parametrize("name", LOBES)
@pytest.mark.parametrize(("radius", "offset"), [(8.0, 0.0), (12.7, 0.0), (8.0, 2.5), (0.0, 0.0), (0.0, 1.5)])
def test_a_roller_or_a_point_rests_where_a_disc_does_on_the_polygon(name, radius, offset):
    lobe = LOBES[name]
    shape, _ = outline_of(lobe)
    s, d1, _ = flat_motion(lobe)
    follower = Follower(FollowerKind.ROLLER if radius else FollowerKind.POINT, radius, offset)
    at, lift = lift_under(follower, BASE_MM, T, s, d1)
    resting = math.sqrt((BASE_MM + radius) ** 2 - offset**2)
    turned = math.asin(offset / (BASE_MM + radius))
    for degrees in (-80, -41, -10, 0, 5, 33, 66):
        angle = math.radians(degrees)
        brute = disc_stands_at(shape, angle - turned, radius, offset) - resting
        assert np.interp(angle, at, lift) == pytest.approx(brute, abs=2e-4)


@pytest.mark.parametrize("name", LOBES)
@pytest.mark.parametrize(("radius", "offset"), [(8.0, 0.0), (12.7, 3.0), (0.0, 0.0)])
def test_a_rollers_table_leads_back_to_the_flat_faces(name, radius, offset):
    lobe = LOBES[name]
    s, d1, _ = flat_motion(lobe)
    follower = Follower(FollowerKind.ROLLER if radius else FollowerKind.POINT, radius, offset)
    at, lift = lift_under(follower, BASE_MM, T, s, d1)
    even = np.linspace(-np.pi, np.pi, 7200, endpoint=False)
    read = np.interp(even, at, lift, period=2 * np.pi)
    flat, outline = flat_from(follower, BASE_MM, even, read)
    assert flat == pytest.approx(lobe.at(np.degrees(even)), abs=2e-3)
    assert not outline.hollow or radius == 0 or outline.radius_mm.min() > -1


def test_a_hollow_flank_is_found_and_bridged():
    # a roller's harmonic motion over a short event on a small base: the outline must be hollow on its flanks
    even = np.linspace(-np.pi, np.pi, 7200, endpoint=False)
    lift = Lobe(harmonic, 9.0, 45, 45).at(np.degrees(even))
    roller = Follower(FollowerKind.ROLLER, 20.0)
    flat, outline = flat_from(roller, 14.0, even, lift)
    assert outline.hollow
    shape = Polygon(np.column_stack([outline.x_mm, outline.y_mm]))
    hull = np.asarray(shape.convex_hull.exterior.coords)
    brute = (np.cos(even)[:, None] * hull[:, 0] + np.sin(even)[:, None] * hull[:, 1]).max(axis=1) - 14.0
    assert flat == pytest.approx(brute, abs=2e-3)
    assert shape.convex_hull.area > shape.area


def test_a_roller_too_large_for_its_own_path_is_undercut():
    # a path that bends outwards more sharply than the roller: the nose of a short, high event on a small base
    even = np.linspace(-np.pi, np.pi, 7200, endpoint=False)
    lift = Lobe(harmonic, 12.0, 22, 22).at(np.degrees(even))
    assert contour_of_roller(10.0, Follower(FollowerKind.ROLLER, 12.0), even, lift).undercut
    assert not contour_of_roller(10.0, Follower(FollowerKind.ROLLER, 12.0), even, 0 * lift).undercut


def test_a_flat_face_is_the_same_follower_with_an_offset():
    s, d1, _ = flat_motion(LOBES["even"])
    at, lift = lift_under(Follower(FollowerKind.FLAT, offset_mm=3.0), BASE_MM, T, s, d1)
    plain_at, plain = lift_under(FLAT, BASE_MM, T, s, d1)
    assert np.array_equal(at, plain_at)
    assert np.array_equal(lift, plain)


def test_a_roller_without_a_radius_and_a_face_with_one_are_refused():
    with pytest.raises(ValueError, match="radius"):
        Follower(FollowerKind.ROLLER)
    with pytest.raises(ValueError, match="radius"):
        Follower(FollowerKind.FLAT, 3.0)
