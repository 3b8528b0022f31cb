"""The card's figures against a textbook's cam, closed forms and published timing arithmetic.

Bevan: The Theory of Machines, chapter 9, example 5, p. 300; lifts and durations follow from the book's equations.
"""

import math

import numpy as np
import pytest

from service.domain.readings import LobeKind
from service.lobe.cleaning import clean
from service.lobe.figures import Figure, lobe_figures, valve_figures
from service.lobe.lift_table import RawTable
from service.lobe.shaft import NamedLobe, separation, shaft_figures
from tests.unit.lobe.lobes import INCH, Lobe, cycloidal, harmonic, polynomial
from tests.unit.lobe.test_contours_as_published import BEVAN_HALF, bevan

AT = np.arange(0, 360, 1.0)


def figures_of(lift, at=AT):
    return lobe_figures(clean(RawTable(at, lift)).curve)


def bevan_table(nose_deg):
    from_start = np.radians(55 - np.abs(AT - nose_deg))
    return np.where(from_start > 0, bevan(np.clip(from_start, 0, BEVAN_HALF))[0], 0.0) * INCH


@pytest.mark.parametrize(
    ("checking_lift_mm", "crank_deg"),
    [(0.006 * INCH, 208.13195), (0.05 * INCH, 185.71174), (1.0, 189.58013)],
)
def test_the_textbook_cams_durations(checking_lift_mm, crank_deg):
    found = {d.checking_lift_mm: d for d in figures_of(bevan_table(180.4)).durations}
    # its acceleration jumps by 8 in per radian squared, which no smooth curve follows exactly
    assert found[checking_lift_mm].crank_deg.value == pytest.approx(crank_deg, abs=0.25)


def test_the_textbook_cams_lift_and_centre():
    figures = figures_of(bevan_table(180.4))
    assert figures.lift.value == pytest.approx(0.5 * INCH, abs=0.003)
    assert figures.centre.value == pytest.approx(180.4, abs=0.01)
    assert figures.mirror_centre.value == pytest.approx(180.4, abs=0.01)


@pytest.mark.parametrize("law", [harmonic, cycloidal, polynomial], ids=lambda law: law.__name__)
def test_lift_durations_and_area_of_laws_in_closed_form(law):
    lobe = Lobe(law, 7.9, 80, 80)
    figures = figures_of(lobe.at(AT - 100.7))
    assert figures.lift.value == pytest.approx(7.9, abs=0.002)
    for duration in figures.durations:
        expected = lobe.duration(duration.checking_lift_mm)
        assert duration.crank_deg.value == pytest.approx(expected, abs=0.1), duration.checking_lift_mm
    x = (np.arange(20000) + 0.5) / 20000
    assert figures.area.value == pytest.approx(2 * 160 * 7.9 * law(x).mean(), rel=2e-4)
    ramp = lobe.half_angle(0.1524, opening=True) - lobe.half_angle(0.508, opening=True)
    assert figures.opening_ramp.value == pytest.approx(ramp, abs=0.05)
    assert figures.closing_ramp.value == pytest.approx(ramp, abs=0.05)
    assert figures.asymmetry.value == pytest.approx(0, abs=0.02)


def test_velocity_and_acceleration_of_simple_harmonic_motion():
    # published exercise: up 50 mm in 120 degrees at 100 rpm, greatest velocity 0.39 m/s, acceleration 6.17;
    # Sarkar, illustration 3, p. 249 (0.39270 and 6.16850 recomputed). Half the stroke here
    lobe = Lobe(harmonic, 25.0, 120, 120)
    curve = clean(RawTable(AT, lobe.at(AT - 180))).curve
    omega = 100 * 6.0  # degrees a second
    middle = np.array([180 - 60.0])
    start = np.array([180 - 30.0])
    assert 2 * curve.lift(middle, 1)[0] * omega / 1000 == pytest.approx(0.39270, rel=2e-3)
    # a(t) = a_max cos(pi x): at a quarter of the rise from the nose, cos 45 degrees of it
    assert -2 * curve.lift(start, 2)[0] * omega**2 / 1000 == pytest.approx(6.16850 * math.cos(math.pi / 4), rel=1e-2)


def test_an_uneven_lobes_centre_moves_with_its_height():
    uneven = Lobe(harmonic, 7.9, 76, 86)
    figures = figures_of(uneven.at(AT - 180))
    low = (uneven.half_angle(1.27, opening=False) - uneven.half_angle(1.27, opening=True)) / 2
    high = (uneven.half_angle(7.11, opening=False) - uneven.half_angle(7.11, opening=True)) / 2
    assert figures.asymmetry.value == pytest.approx(low - high, abs=0.02)
    assert figures.centre.value > 180


def test_a_valve_stands_where_the_lobe_less_its_lash_does():
    lobe = Lobe(polynomial, 7.9, 80, 80)
    curve = clean(RawTable(AT, lobe.at(AT - 180))).curve
    valve = valve_figures(curve, 1.5, 0.15)
    assert valve.lift.value == pytest.approx(7.9 * 1.5 - 0.15, abs=0.003)
    at_1mm = next(d for d in valve.durations if d.checking_lift_mm == 1.0)
    assert at_1mm.crank_deg.value == pytest.approx(lobe.duration(1.15 / 1.5), abs=0.05)


@pytest.mark.parametrize(
    ("opens_btdc", "closes_abdc", "exhaust_opens", "exhaust_closes", "expected_separation", "expected_overlap"),
    [(20, 60, 60, 20, 110, 40), (25, 55, 65, 15, 110, 40), (15, 65, 55, 25, 110, 40), (-15, 35, 40, 10, 110, -5)],
    ids=["as ground", "advanced 5", "retarded 5", "Rathbun, Gas, Oil and Steam Engines, section 138"],
)
def test_published_timing_comes_out_of_two_tables_on_one_index(
    opens_btdc, closes_abdc, exhaust_opens, exhaust_closes, expected_separation, expected_overlap
):
    # TDC of the overlap at 200 cam degrees; the published events are taken at 0.050 in
    lobes = []
    for kind, opens, closes in (
        (LobeKind.INTAKE, -opens_btdc, 180 + closes_abdc),
        (LobeKind.EXHAUST, -180 - exhaust_opens, exhaust_closes),
    ):
        centre, half = 200 + (opens + closes) / 4, (closes - opens) / 4
        unit = Lobe(polynomial, 7.9, 1, 1).half_angle(1.27, opening=True)
        lobe = Lobe(polynomial, 7.9, half / unit, half / unit)
        lobes.append(NamedLobe(kind, 1, figures_of(lobe.at(AT - centre))))
    shaft = shaft_figures(tuple(lobes), 1.27)
    assert shaft.separations[1].value == pytest.approx(expected_separation if opens_btdc > 0 else 110, abs=0.02)
    assert shaft.overlaps[1].value == pytest.approx(expected_overlap, abs=0.1)


def test_separation_is_the_shorter_way_round():
    assert separation(Figure(350, 0.3), Figure(98, 0.4)).value == pytest.approx(108)
    assert separation(Figure(98, 0.3), Figure(350, 0.4)).value == pytest.approx(108)
    assert separation(Figure(98, 0.3), Figure(350, 0.4)).sd == pytest.approx(0.5)


def test_four_cylinders_come_in_their_order():
    at = {1: 10.0, 3: 100.0, 4: 190.0, 2: 280.0}
    one = figures_of(Lobe(polynomial, 7.9, 80, 80).at(AT - 180))
    lobes = tuple(
        NamedLobe(LobeKind.INTAKE, cylinder, figures_of(Lobe(polynomial, 7.9, 80, 80).at(AT - angle)))
        for cylinder, angle in sorted(at.items())
    )
    shaft = shaft_figures(lobes, 1.27)
    assert [lobe.cylinder for lobe in shaft.order] == [1, 3, 4, 2]
    assert [step.cam_deg.value for step in shaft.steps] == pytest.approx([90] * 4, abs=0.02)
    assert one.durations
