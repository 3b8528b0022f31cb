"""Valve timing against published arithmetic, and readings that cannot hold together."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.readings import LobeKind
from service.lobe.figures import Figure
from service.lobe.valve_timing import (
    Timing,
    TimingReading,
    TimingSlip,
    ValveTrain,
    crank_deg_per_mm,
    equal_lift_centre,
    moved_timing,
    piston_stop,
    work_timing_out,
)

WHEEL = Figure(0.0, 1.0)


def read(sd=1.5, **values):
    return [TimingReading(Timing(name), value, sd) for name, value in values.items()]


def figures(**values):
    return {what.value: figure.value for what, figure in work_timing_out(read(**values), WHEEL).figures.items()}


def four(opens, closes, exhaust_opens, exhaust_closes):
    return {
        "intake_opens": opens,
        "intake_closes": closes,
        "exhaust_opens": exhaust_opens,
        "exhaust_closes": exhaust_closes,
    }


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        # US Army TM 9-8000, valve timing: intake 28 before, exhaust 45 after top dead centre overlap by 73
        ({"intake_opens": 28, "exhaust_closes": 45}, {"overlap": 73}),
        # a published worked post on centres (common practice): 6 and 42 make 228, centre 108, with 12 an overlap of 18
        (
            {"intake_opens": 6, "intake_closes": 42, "exhaust_closes": 12},
            {"intake_duration": 228, "intake_centre": 108, "overlap": 18},
        ),
        # R. H. Rathbun, Practical Hand-Book of Gas, Oil and Steam Engines, section 138: exhaust opens 40 early and
        # closes 10 late, intake opens 15 late and closes 35 late; the sums are arithmetic
        (
            four(-15, 35, 40, 10),
            {
                "intake_duration": 200,
                "exhaust_duration": 230,
                "overlap": -5,
                "intake_centre": 115,
                "exhaust_centre": 105,
            },
        ),
        # the same, section 137, a slow engine
        (four(-10, 10, 30, 5), {"intake_duration": 180, "exhaust_duration": 215, "overlap": -5}),
        # a public-domain motoring question book (1910s), p. 70: 15 late to 35 late is 200
        ({"intake_opens": -15, "intake_closes": 35}, {"intake_duration": 200}),
        # a national technician examination of 2010: 13 before and a duration of 242 close at 49
        ({"intake_opens": 13, "intake_duration": 242}, {"intake_closes": 49}),
        # published worked example: 20-60, 60-20 is 260; advanced by 5: 25-55, 65-15; retarded: 15-65, 55-25
        (
            four(20, 60, 60, 20),
            {
                "intake_duration": 260,
                "intake_centre": 110,
                "exhaust_centre": 110,
                "lobe_separation": 110,
                "overlap": 40,
                "advance": 0,
            },
        ),
        (
            four(25, 55, 65, 15),
            {
                "intake_duration": 260,
                "intake_centre": 105,
                "exhaust_centre": 115,
                "lobe_separation": 110,
                "overlap": 40,
                "advance": 5,
            },
        ),
        (
            four(15, 65, 55, 25),
            {
                "intake_duration": 260,
                "intake_centre": 115,
                "exhaust_centre": 105,
                "lobe_separation": 110,
                "overlap": 40,
                "advance": -5,
            },
        ),
    ],
)
def test_published_timing_comes_out_as_printed(given, expected):
    found = figures(**given)
    for name, value in expected.items():
        assert found[name] == pytest.approx(value, abs=1e-6), name


def test_what_the_readings_do_not_tell_is_not_said():
    assert set(figures(intake_opens=20, intake_closes=60)) == {
        "intake_opens", "intake_closes", "intake_duration", "intake_centre"
    }  # fmt: skip


def test_a_stop_finds_the_wheels_zero_and_takes_it_out_of_events_and_centres():
    wheel, half_span = piston_stop(36.75, 35.25, 0.5)
    assert (wheel.value, half_span) == (-0.75, 36.0)

    found = work_timing_out(read(**four(20, 60, 60, 20)), wheel).figures

    assert found[Timing.INTAKE_OPENS].value == pytest.approx(19.25)
    assert found[Timing.INTAKE_CENTRE].value == pytest.approx(110.75)
    assert found[Timing.EXHAUST_CENTRE].value == pytest.approx(109.25)
    assert found[Timing.SEPARATION].value == pytest.approx(110)
    assert found[Timing.ADVANCE].value == pytest.approx(-0.75)


def test_two_places_of_one_lift_give_the_centre_between_them():
    assert equal_lift_centre(60, 145.5) == 102.75


def test_uncertainties_are_those_of_many_simulated_wheels():
    rng = np.random.default_rng(3)
    drawn = []
    for _ in range(4000):
        zero = rng.normal(0, 1.0)
        off = rng.normal(0, 1.5, 4) + zero * np.array([-1, 1, -1, 1])
        opens, closes, opens_too, closes_too = np.array([20, 60, 60, 20]) + off
        drawn.append(
            [
                opens + closes + 180,
                (closes - opens) / 2 + 90,
                (closes - opens + opens_too - closes_too) / 4 + 90,
                opens + closes_too,
            ]
        )
    found = work_timing_out(read(**four(20, 60, 60, 20)), WHEEL).figures
    stated = [found[w].sd for w in (Timing.INTAKE_DURATION, Timing.INTAKE_CENTRE, Timing.SEPARATION, Timing.OVERLAP)]
    assert np.std(drawn, axis=0) == pytest.approx(stated, rel=0.06)


def test_what_is_read_twice_over_is_known_better():
    once = work_timing_out(read(**four(20, 60, 60, 20)), WHEEL).figures
    more = work_timing_out(read(**four(20, 60, 60, 20), intake_duration=260, lobe_separation=110), WHEEL).figures
    for what, figure in once.items():
        assert more[what].sd <= figure.sd + 1e-9
    assert more[Timing.INTAKE_DURATION].sd < once[Timing.INTAKE_DURATION].sd


@given(st.floats(-10, 40), st.floats(20, 80), st.floats(20, 80), st.floats(-10, 40))
def test_readings_that_agree_are_never_called_impossible_together(opens, closes, exhaust_opens, exhaust_closes):
    events = four(opens, closes, exhaust_opens, exhaust_closes)
    known = figures(**events)
    for name in ("intake_duration", "exhaust_duration", "lobe_separation", "overlap"):
        events[name] = known[name]
    assert all(found.figure is not None for found in work_timing_out(read(**events), WHEEL).disagreements)


def test_one_wrong_reading_among_enough_others_is_named_and_left_out():
    taken = read(**four(20, 60, 60, 20), intake_duration=260, intake_centre=110, lobe_separation=110, overlap=-40)
    found = work_timing_out(taken, WHEEL)
    (wrong,) = found.disagreements
    assert wrong.members == (7,)
    assert wrong.off_by[0] == pytest.approx(-80)
    assert [(fit.slip, fit.value) for fit in wrong.explanations] == [(TimingSlip.OTHER_SIDE, 40)]
    assert found.figures[Timing.OVERLAP].value == pytest.approx(40)


def test_where_nobody_can_say_which_is_wrong_all_are_named_with_what_would_mend_it():
    found = work_timing_out(read(intake_opens=20, intake_closes=60, intake_duration=130), WHEEL)
    (wrong,) = found.disagreements
    assert wrong.members == (0, 1, 2)
    assert [(fit.reading, fit.slip, fit.value) for fit in wrong.explanations] == [(2, TimingSlip.CAM_DEGREES, 260)]


@pytest.mark.parametrize(
    ("events", "reading", "slip", "meant"),
    [
        (four(20, 240, 60, 20), 1, TimingSlip.OTHER_DEAD_CENTRE, 60),
        (four(20, 60, 60, -260), 3, None, None),
    ],
)
def test_figures_that_no_engine_has_are_named_with_the_mistake_behind_them(events, reading, slip, meant):
    found = work_timing_out(read(**events), WHEEL)
    assert found.disagreements
    assert all(reading in wrong.members for wrong in found.disagreements if wrong.figure is not Timing.INTAKE_DURATION)
    fits = {(fit.reading, fit.slip, fit.value) for wrong in found.disagreements for fit in wrong.explanations}
    assert slip is None or (reading, slip, meant) in fits


def test_a_card_says_nothing_of_the_wheel():
    card = [TimingReading(Timing.INTAKE_CENTRE, 106.0, 1.0, on_wheel=False)]
    wheel = Figure(0.0, 5.0)
    found = work_timing_out([*read(intake_opens=20, intake_closes=60), *card], wheel)
    # the wheel, free to be off, takes up what card and events differ by
    assert found.wheel.value == pytest.approx(4.0, abs=0.5)


def test_a_valve_stands_where_its_lobe_ratio_and_lash_put_it():
    train = ValveTrain(rocker_ratio=1.5, lash_mm=0.2)
    assert train.at_valve(2.0) == pytest.approx(2.8)
    assert train.at_lobe(2.8) == pytest.approx(2.0)
    # TM 5-4210-229-14&P, para 6-6: 0.029 in of lash, felt tight on 0.004 in, is an event at 0.025 in
    assert ValveTrain(1.0, 0.029 * 25.4).at_valve(0.029 * 25.4) == 0
    assert pytest.approx(0.025) == 0.029 - 0.004


def test_at_a_lower_checking_lift_durations_and_overlap_grow_and_centres_stay():
    found = work_timing_out(read(**four(20, 60, 60, 20)), WHEEL).figures
    trains = {kind: ValveTrain(lift_mm=8.0) for kind in LobeKind}
    low, high = dict.fromkeys(LobeKind, 0.5), dict.fromkeys(LobeKind, 1.27)
    there = moved_timing(found, high, low, trains, guess_sd=5.0)
    grown = there[Timing.INTAKE_DURATION].value - 260
    assert grown > 10
    assert there[Timing.OVERLAP].value == pytest.approx(40 + grown)
    assert there[Timing.INTAKE_OPENS].value == pytest.approx(20 + grown / 2)
    assert there[Timing.SEPARATION] == found[Timing.SEPARATION]
    assert there[Timing.INTAKE_DURATION].sd == pytest.approx(math.hypot(found[Timing.INTAKE_DURATION].sd, 5.0))
    assert Timing.OVERLAP not in moved_timing(found, high, low, {kind: ValveTrain() for kind in LobeKind}, 5.0)


def test_an_indicators_error_moves_an_event_as_far_as_the_typical_lobe_is_slow_there():
    from service.lobe.timing import guess_duration

    known, step = [(1.27, 230.0)], 1e-4
    for at in (0.3, 1.27, 4.0):
        by_difference = (guess_duration(known, 8.0, at) - guess_duration(known, 8.0, at + step)) / 2 / step
        duration = guess_duration(known, 8.0, at)
        assert crank_deg_per_mm(at, 8.0, duration) == pytest.approx(by_difference, rel=0.01)
