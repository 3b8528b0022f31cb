"""Durations against a textbook's cam, and timing figures against published worked cases.

Source of the cam: T. Bevan, The Theory of Machines, chapter 9, example 5 (p. 300): circular-arc cam under a flat
follower, half-angle 55 degrees, lift 0.5 in, nose radius 0.125 in, least radius 1.125 in. The book prints
OQ = 1.5 in and OP = 4.477 in; the lifts and durations below are computed from its equations, exactly.
"""

import math

import numpy as np
import pytest

from service.lobe.timing import duration_at, guess_duration

HALF_ANGLE_DEG, LIFT_IN, NOSE_IN, LEAST_IN = 55.0, 0.5, 0.125, 1.125

CROSSINGS = [  # checking lift in mm, cam degrees between the two crossings, crank degrees
    (0.006 * 25.4, 104.06597, 208.13195),
    (0.15, 104.11289, 208.22579),
    (0.050 * 25.4, 92.85587, 185.71174),
    (1.0, 94.79007, 189.58013),
]


def book_distances() -> tuple[float, float]:
    """OQ and OP of the book's figure, in inches."""
    oq = LEAST_IN + LIFT_IN - NOSE_IN
    cosine = math.cos(math.radians(HALF_ANGLE_DEG))
    gap = LEAST_IN - NOSE_IN
    # (OP + r1 - r2)^2 = OP^2 + OQ^2 + 2 OP OQ cos(alpha)
    op = (oq**2 - gap**2) / (2 * (gap - oq * cosine))
    return oq, op


def book_lift_in(from_start_deg: float) -> float:
    """Lift at an angle from the start of the flank: flank OP (1 - cos t), nose OQ cos(alpha - t) - (r1 - r2)."""
    oq, op = book_distances()
    alpha = math.radians(HALF_ANGLE_DEG)
    to_nose_arc = math.atan2(oq * math.sin(alpha), op + oq * math.cos(alpha))
    t = math.radians(from_start_deg)
    if t <= 0:
        return 0.0
    if t <= to_nose_arc:
        return op * (1 - math.cos(t))
    return oq * math.cos(alpha - t) - (LEAST_IN - NOSE_IN)


def book_table(step_deg: float) -> list[tuple[float, float]]:
    return [
        (float(at), book_lift_in(HALF_ANGLE_DEG - abs(float(at))) * 25.4)
        for at in np.arange(-90, 90 + step_deg / 2, step_deg)
    ]


def test_the_books_own_distances_come_out():
    oq, op = book_distances()
    assert oq == pytest.approx(1.5)
    assert op == pytest.approx(4.477, abs=0.002)


@pytest.mark.parametrize(
    ("from_start_deg", "lift_in"),
    [
        (5, 0.017032),
        (10, 0.068),
        (15, 0.149067),
        (20, 0.228728),
        (30, 0.359462),
        (40, 0.448889),
        (50, 0.494292),
        (55, 0.5),
    ],
)
def test_the_books_equations_give_the_listed_lifts(from_start_deg, lift_in):
    assert book_lift_in(from_start_deg) == pytest.approx(lift_in, abs=6e-7)


@pytest.mark.parametrize(("checking_lift_mm", "cam_deg", "crank_deg"), CROSSINGS)
def test_a_table_in_single_degrees_gives_the_exact_duration(checking_lift_mm, cam_deg, crank_deg):
    duration = duration_at(book_table(1.0), checking_lift_mm)
    assert duration == pytest.approx(crank_deg, abs=0.001)
    assert duration == pytest.approx(2 * cam_deg, abs=0.001)


@pytest.mark.parametrize(("checking_lift_mm", "cam_deg", "crank_deg"), CROSSINGS)
@pytest.mark.parametrize(("step_deg", "within_crank_deg"), [(2.0, 0.01), (5.0, 1.0)])
def test_a_coarser_table_comes_close(step_deg, within_crank_deg, checking_lift_mm, cam_deg, crank_deg):
    assert duration_at(book_table(step_deg), checking_lift_mm) == pytest.approx(crank_deg, abs=within_crank_deg)


def test_one_flank_alone_stands_for_both():
    closing = [point for point in book_table(1.0) if point[0] >= 0]
    opening = [point for point in book_table(1.0) if point[0] <= 0]
    assert duration_at(closing, 1.0) == pytest.approx(189.58013, abs=0.001)
    assert duration_at(opening, 1.0) == pytest.approx(189.58013, abs=0.001)


def test_a_table_that_runs_right_round_from_the_nose_gives_the_same():
    round_the_turn = [(float(at), book_lift_in(HALF_ANGLE_DEG - min(at, 360 - at)) * 25.4) for at in range(361)]
    assert duration_at(round_the_turn, 1.0) == pytest.approx(189.58013, abs=0.001)


def test_a_guess_from_one_checking_lift_to_a_near_one_is_good_to_a_few_degrees():
    # the circular arc is about the furthest a real flank lies from the typical lobe of the guess
    assert guess_duration([(1.0, 189.58013)], 12.7, 1.27) == pytest.approx(185.71174, abs=1.5)
    assert guess_duration([(1.27, 185.71174)], 12.7, 0.1524) == pytest.approx(208.13195, abs=15.0)


def test_a_guess_between_two_checking_lifts_of_the_book_is_good_to_a_degree_or_two():
    known = [(0.15, 208.22579), (1.27, 185.71174)]
    assert guess_duration(known, 12.7, 1.0) == pytest.approx(189.58013, abs=1.0)


# Normalised rise laws at x = 0.1, 0.2, 0.4 of the rise, as textbooks list them (closed forms, computed exactly):
# simple harmonic, cycloidal, 3-4-5 and 4-5-6-7 polynomial.
RISE_LAWS = {
    "simple harmonic": {0.1: 0.0244717, 0.2: 0.0954915, 0.4: 0.3454915},
    "cycloidal": {0.1: 0.0064511, 0.2: 0.0486347, 0.4: 0.3064511},
    "3-4-5": {0.1: 0.00856, 0.2: 0.05792, 0.4: 0.31744},
    "4-5-6-7": {0.1: 0.002728, 0.2: 0.033344, 0.4: 0.289792},
}


@pytest.mark.parametrize("law", sorted(RISE_LAWS))
def test_a_guess_on_a_textbook_rise_law_is_good_to_some_degrees(law):
    # a lobe of 8 mm lift that rises in 70 cam degrees: 280 crank degrees in all, (1 - x) of it above the lift at x
    rises = RISE_LAWS[law]
    durations = {x: 280 * (1 - x) for x in rises}
    guess = guess_duration([(8 * rises[0.2], durations[0.2])], 8.0, 8 * rises[0.1])
    assert guess == pytest.approx(durations[0.1], abs=10.0)
    guess = guess_duration([(8 * rises[0.1], durations[0.1]), (8 * rises[0.4], durations[0.4])], 8.0, 8 * rises[0.2])
    assert guess == pytest.approx(durations[0.2], abs=6.0)
