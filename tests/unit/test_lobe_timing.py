"""Durations from lift tables and from other checking lifts: the edges and the rules."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.lobe.timing import duration_at, guess_duration, guess_durations

TRIANGLE = [(-60.0, 0.0), (0.0, 6.0), (60.0, 0.0)]


def test_a_lobe_that_never_reaches_the_checking_lift_is_above_it_for_no_time():
    assert duration_at(TRIANGLE, 6.0) == 0.0
    assert duration_at(TRIANGLE, 7.5) == 0.0


def test_a_table_that_stops_above_the_checking_lift_gives_no_duration():
    assert duration_at([(0, 7.95), (2, 7.94), (4, 7.91)], 1.27) is None
    assert duration_at([(-4, 7.0), (0, 7.9), (4, 7.0), (40, 0.0)], 1.27) is None
    assert duration_at([], 1.27) is None


def test_straight_flanks_give_the_duration_of_a_triangle():
    # above 1 mm of 6 mm: five sixths of 120 cam degrees
    assert duration_at(TRIANGLE, 1.0) == pytest.approx(2 * 100.0)


def test_a_bump_on_the_heel_is_no_part_of_the_lobe():
    lobe = [(float(a), max(0.0, 6.0 * math.cos(math.radians(1.5 * a)))) for a in range(-59, 61)]
    heel = [(float(a), 0.0) for a in (*range(-179, -59), *range(61, 181))]
    bump = [(a, 1.5 if 130 <= a <= 140 else lift) for a, lift in heel]
    assert duration_at([*lobe, *bump], 1.27) == pytest.approx(duration_at([*lobe, *heel], 1.27))


def test_unequal_flanks_are_each_followed():
    lopsided = [(-40.0, 0.0), (0.0, 4.0), (80.0, 0.0)]
    assert duration_at(lopsided, 1.0) == pytest.approx(2 * (30 + 60))


def test_points_may_come_in_any_order():
    assert duration_at(list(reversed(TRIANGLE)), 1.0) == pytest.approx(200.0)


def test_a_guess_meets_every_known_duration():
    known = [(1.27, 232.0), (0.15, 281.0), (1.0, 240.5)]
    for checking_lift_mm, crank_deg in known:
        assert guess_duration(known, 7.95, checking_lift_mm) == pytest.approx(crank_deg)


def test_a_guess_at_full_lift_is_nothing():
    assert guess_duration([(1.27, 232.0)], 7.95, 7.95) == 0.0
    assert guess_duration([(1.27, 232.0)], 7.95, 9.0) == 0.0


def test_a_guess_from_nothing_is_refused():
    with pytest.raises(ValueError, match="no known duration"):
        guess_duration([], 7.95, 1.0)


def test_lobes_of_nothing_known_come_back_as_not_a_number():
    nan = math.nan
    guesses = guess_durations([[nan, nan], [1.27, nan]], [[nan, nan], [232.0, nan]], [8.0, 8.0], 1.27)
    assert math.isnan(guesses[0])
    assert guesses[1] == pytest.approx(232.0)


def test_a_duration_said_to_be_above_full_lift_tells_nothing():
    assert math.isnan(guess_duration([(9.0, 200.0)], 8.0, 1.27))
    assert guess_duration([(9.0, 200.0), (1.27, 232.0)], 8.0, 1.27) == pytest.approx(232.0)


def test_two_close_checking_lifts_do_not_fling_the_guess():
    # 0.050 in and 1 mm, stated to a whole degree: the slope between them is mostly rounding
    for neighbour in (232.0, 260.0):
        guess = guess_duration([(1.27, 232.0), (1.2, neighbour)], 7.95, 0.15)
        assert neighbour < guess < neighbour * 1.5


known_lists = st.lists(
    st.tuples(st.floats(0.05, 6.0), st.floats(20.0, 400.0)), min_size=1, max_size=5, unique_by=lambda k: round(k[0], 2)
)


@given(known=known_lists, lift_mm=st.floats(6.5, 14.0))
def test_a_guess_never_rises_with_the_checking_lift(known, lift_mm):
    checking = np.linspace(0.0, lift_mm, 60)
    lifts, durations = (np.tile(column, (60, 1)) for column in zip(*known, strict=True))
    guesses = guess_durations(lifts, durations, np.full(60, lift_mm), checking)
    assert all(later <= earlier + 1e-9 for earlier, later in itertools.pairwise(guesses))
    assert guesses[-1] == 0.0


@given(lobes=st.lists(st.tuples(known_lists, st.floats(6.5, 14.0), st.floats(0.05, 6.0)), min_size=1, max_size=6))
def test_many_lobes_at_once_equal_each_lobe_alone(lobes):
    known_lifts, known_durations = np.full((2, len(lobes), 5), np.nan)
    for row, (known, _, _) in enumerate(lobes):
        known_lifts[row, : len(known)], known_durations[row, : len(known)] = zip(*known, strict=True)
    together = guess_durations(known_lifts, known_durations, [x[1] for x in lobes], [x[2] for x in lobes])
    alone = [guess_duration(*lobe) for lobe in lobes]
    assert together == pytest.approx(alone)
