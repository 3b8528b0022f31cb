"""The flank width against brute force: a polygon (shapely) turned and measured, nose found well and badly."""

import numpy as np
import pytest
from shapely import affinity

from service.lobe.timing import duration_at, flank_lift, guess_flank_lifts
from tests.unit.lobe.lobes import Lobe, cycloidal, harmonic, polynomial
from tests.unit.lobe.test_followers_against_polygons import BASE_MM, LOBES, outline_of

ANGLES = np.arange(-180.0, 180.0, 1.0)


def width_at(shape, degrees):
    west, _, east, _ = affinity.rotate(shape, -degrees, origin=(0, 0)).bounds
    return east - west


@pytest.mark.parametrize("included", [60.0, 90.0, 100.0])
@pytest.mark.parametrize("name", LOBES)
def test_the_mean_of_two_widths_is_base_circle_and_the_mean_lift_at_the_two_places(name, included):
    lobe = LOBES[name]
    shape, _ = outline_of(lobe)
    points = list(zip(ANGLES, lobe.at(ANGLES), strict=True))
    mean = (width_at(shape, included / 2) + width_at(shape, -included / 2)) / 2
    assert mean == pytest.approx(2 * BASE_MM + flank_lift(points, included), abs=2e-3)


def test_where_the_nose_is_thought_to_be_cancels_and_the_included_angle_does_not():
    """Our own sum on a made-up lobe: 2 deg of nose under 0.001 in, 1 deg of included angle some 0.003 in."""
    lobe = Lobe(polynomial, 7.62, 76, 76)
    shape, _ = outline_of(lobe)

    def mean(nose, included):
        return (width_at(shape, nose + included / 2) + width_at(shape, nose - included / 2)) / 2

    assert abs(mean(2.0, 90) - mean(0.0, 90)) < 0.0254
    assert abs(mean(0.0, 91) - mean(0.0, 90)) == pytest.approx(0.003 * 25.4, rel=0.35)


@pytest.mark.parametrize("law", [harmonic, polynomial, cycloidal])
def test_lift_and_durations_guess_the_lift_at_the_flank_within_the_spread_of_shapes(law):
    """Of the laws of the textbooks, with two durations known, the guess is within 0.012 in of what the table says."""
    lobe = Lobe(law, 7.62, 65, 65)
    points = list(zip(ANGLES, lobe.at(ANGLES), strict=True))
    at = np.array([0.508, 1.27])
    known = np.array([duration_at(points, lift) for lift in at])
    guess = guess_flank_lifts(at[None], known[None], np.array([7.62]), 90.0)
    assert guess[0] == pytest.approx(flank_lift(points, 90.0), abs=0.012 * 25.4)


def test_a_lobe_that_is_nowhere_so_wide_has_no_lift_there():
    assert guess_flank_lifts([[1.27]], [[150.0]], [7.0], 120.0)[0] == pytest.approx(0.0, abs=1e-3)
    assert flank_lift([(-40.0, 0.0), (0.0, 7.0), (40.0, 0.0)], 90.0) is None
