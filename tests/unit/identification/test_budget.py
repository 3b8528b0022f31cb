"""Derived quantities and their budgets: against two libraries of uncertainty, by simulation, and by their rules."""

import dataclasses
import math
from decimal import Decimal

import GTC
import numpy as np
import pytest
import uncertainties
from uncertainties import ufloat

from service.domain.readings import At, Degrees, Experience, Feature, Instrument, LobeKind
from service.domain.units import LengthUnit
from service.identification.answer.budget import RATIO, derived_quantities
from service.identification.measuring.combination import CARE, ZERO_CANCELS, ZEROS_DIFFER, combined_standard_uncertainty
from service.identification.measuring.model import DEFAULT_MODEL, MeasuringModel, spread_of_mean
from tests.submissions import CALIPER, MICROMETER, base, event, height, journal, reading, submission, valve_lift

ONE_HAND = dataclasses.replace(DEFAULT_MODEL, hand_levels=((1.0, 1.0),), zero_bad_share=0.0)
"""The model with every caller's hand alike and no bad zeros, so that a budget is plain propagation."""

MM = LengthUnit.MILLIMETRE


def only(derived, quantity, lobe=None):
    (found,) = [d for d in derived if d.quantity == quantity and lobe in (None, d.lobe)]
    return found


def budget_of(derived):
    return {line.component: line.standard_uncertainty for line in derived.budget}


# Against uncertainties and GTC


class Uncertainties:
    """A quantity by the uncertainties library."""

    @staticmethod
    def input(mean, sd):
        return ufloat(mean, sd) if sd > 0 else mean

    @staticmethod
    def result(y):
        return y.nominal_value, y.std_dev


class Gtc:
    """A quantity by GTC."""

    @staticmethod
    def input(mean, sd):
        return GTC.ureal(mean, sd)

    @staticmethod
    def result(y):
        return y.x, y.u


LIBRARIES = pytest.mark.parametrize("library", [Uncertainties, Gtc])


def truth_by(library, entry, said, zeros):
    """The truth an entry reads, as an uncertain number: its mean less zero, tilt, technique and scatter."""
    whole = submission(entry, **said)
    error = spread_of_mean(entry, whole, ONE_HAND)
    instrument = whole.instrument_of(entry)
    if instrument not in zeros:
        zeros[instrument] = library.input(0.0, error.zero_sd)
    technique = library.input(error.sign * error.technique_mean, error.technique_mean) if error.sign else 0.0
    scatter = library.input(error.bias, error.sd)
    return float(entry.mean) - zeros[instrument] - technique - scatter


@LIBRARIES
@pytest.mark.parametrize(
    ("height_tool", "base_tool"), [(CALIPER, CALIPER), (MICROMETER, MICROMETER), (CALIPER, MICROMETER)]
)
def test_a_lobe_lift_is_propagated_as_the_library_does(library, height_tool, base_tool):
    h, b = height("29.78", instrument=height_tool), base("21.85", instrument=base_tool)
    said, zeros = {"unit": MM, "experience": Experience.FIRST_TIME}, {}
    expected = library.result(truth_by(library, h, said, zeros) - truth_by(library, b, said, zeros))
    lift = only(derived_quantities(submission(h, b, **said), ONE_HAND), "lobe_lift")
    assert (lift.corrected, lift.standard_uncertainty) == pytest.approx(expected, rel=1e-9)


@LIBRARIES
def test_a_valve_lift_is_propagated_as_the_library_does(library):
    h, b = height("29.78"), base("21.85")
    at_valve = valve_lift("11.60", ratio="1.5", lash="0.15")
    said, zeros = {"unit": MM}, {}
    lift = truth_by(library, h, said, zeros) - truth_by(library, b, said, zeros)
    ratio = library.input(1.5, 1.5 * ONE_HAND.valve_ratio_sd)
    expected_value, expected_u = library.result(lift * ratio - 0.15)
    found = only(derived_quantities(submission(h, b, at_valve, **said), ONE_HAND), "valve_lift")
    assert found.corrected == pytest.approx(expected_value, rel=1e-9)
    # the ratio's share is taken at the plain lift, the library's at the corrected one
    assert found.standard_uncertainty == pytest.approx(expected_u, rel=5e-3)


@LIBRARIES
def test_a_lift_worked_out_from_the_valve_is_propagated_as_the_library_does(library):
    at_valve = valve_lift("11.60", ratio="1.5", lash="0.15")
    zeros = {}
    lift = (truth_by(library, at_valve, {"unit": MM}, zeros) + 0.15) / library.input(1.5, 1.5 * ONE_HAND.valve_ratio_sd)
    found = only(derived_quantities(submission(at_valve, unit=MM), ONE_HAND), "lobe_lift")
    assert (found.corrected, found.standard_uncertainty) == pytest.approx(library.result(lift), rel=1e-6)
    assert found.value == pytest.approx((11.60 + 0.15) / 1.5)


@LIBRARIES
def test_a_base_circle_read_again_with_a_better_tool_is_weighted_as_least_squares_does(library):
    h, first, again = height("29.78"), base("21.85"), base("21.835", instrument=MICROMETER)
    said, zeros = {"unit": MM}, {}
    nose_to_heel = truth_by(library, h, said, zeros)
    with_caliper = nose_to_heel - truth_by(library, first, said, zeros)
    with_micrometer = nose_to_heel - truth_by(library, again, said, zeros)
    # the best weight of two correlated values of one truth, by its textbook formula
    covariance = (
        uncertainties.covariance_matrix([with_caliper, with_micrometer])
        if library is Uncertainties
        else [
            [with_caliper.v, GTC.get_covariance(with_caliper, with_micrometer)],
            [GTC.get_covariance(with_caliper, with_micrometer), with_micrometer.v],
        ]
    )
    (v1, c), (_, v2) = covariance
    weight = (v2 - c) / (v1 + v2 - 2 * c)
    best = library.result(weight * with_caliper + (1 - weight) * with_micrometer)
    found = only(derived_quantities(submission(h, first, again, **said), ONE_HAND), "lobe_lift")
    assert (found.corrected, found.standard_uncertainty) == pytest.approx(best, rel=1e-9)
    assert found.standard_uncertainty < library.result(with_caliper)[1]
    assert found.standard_uncertainty < library.result(with_micrometer)[1]


# Coverage


def simulated_lift(rng, tools, repeats, model, *, experience, zero_check):
    """One caller of the model's own world: a true lift, and the submission that caller sends (mm)."""
    factor = {Experience.FIRST_TIME: model.first_time_factor, Experience.PRACTISED: 1.0}[experience]
    levels, shares = zip(*model.hand_levels, strict=True)
    hand = factor * rng.choice(levels, p=shares)
    lift, base_circle = rng.uniform(6, 10), rng.uniform(20, 24)
    zeros = {}
    for tool in {tool for used in tools for tool in used}:
        bad = rng.random() < model.zero_bad_share
        zeros[tool] = rng.normal(0, model.tools[tool].zero_sd * (model.zero_bad_factor if bad else 1))

    def written_down(tool, values):
        errors = model.tools[tool]
        rounded = np.round(values / errors.step_mm) * errors.step_mm
        return [f"{v:.3f}" if errors.step_mm < 0.01 else f"{v:.2f}" for v in rounded]

    entries = []
    for make, true, used in ((height, base_circle + lift, tools[0]), (base, base_circle, tools[1])):
        for tool in used:
            errors = model.tools[tool]
            mean = -errors.height_small if make is height else errors.base_large
            technique = np.sign(mean) * rng.exponential(abs(mean) * hand)
            tilt = rng.normal(model.tilt_mean, model.tilt_sd)
            read = true + zeros[tool] + technique + tilt + rng.normal(0, errors.scatter * hand, repeats)
            entries.append(make(*written_down(tool, read), instrument=tool))
    if zero_check:
        for tool, zero in zeros.items():
            read = zero + rng.normal(0, model.tools[tool].scatter * hand, 1)
            entries.append(reading("zero_check", *written_down(tool, read), instrument=tool, reference=Decimal(0)))
    return lift, submission(*entries, unit=MM, experience=experience)


CALLERS = pytest.mark.parametrize(
    ("tools", "repeats", "experience", "zero_check"),
    [
        pytest.param(((CALIPER,), (CALIPER,)), 1, Experience.FIRST_TIME, False, id="a caliper once"),
        pytest.param(((CALIPER,), (CALIPER,)), 3, Experience.PRACTISED, False, id="a caliper three times"),
        pytest.param(((CALIPER,), (MICROMETER,)), 1, Experience.FIRST_TIME, False, id="two tools"),
        pytest.param(((CALIPER,), (MICROMETER,)), 1, Experience.PRACTISED, True, id="two tools with zero checks"),
        pytest.param(((CALIPER,), (CALIPER, MICROMETER)), 2, Experience.FIRST_TIME, False, id="a base read again"),
    ],
)


def missed(callers, tools, repeats, experience, zero_check):
    """The shares of callers whose true lift lies below, and above, the interval."""
    rng = np.random.default_rng(95)
    below = above = 0
    for _ in range(callers):
        lift, sent = simulated_lift(rng, tools, repeats, DEFAULT_MODEL, experience=experience, zero_check=zero_check)
        low, high = only(derived_quantities(sent, DEFAULT_MODEL), "lobe_lift").interval
        below, above = below + (lift < low), above + (lift > high)
    return below / callers, above / callers


@CALLERS
def test_the_interval_holds_the_true_lift_about_95_times_in_100(tools, repeats, experience, zero_check):
    below, above = missed(250, tools, repeats, experience, zero_check)
    assert below + above == pytest.approx(0.05, abs=0.045)  # a standard error is 0.014


@pytest.mark.long
@CALLERS
def test_the_interval_holds_the_true_lift_95_times_in_100_in_the_long_run(tools, repeats, experience, zero_check):
    below, above = missed(4000, tools, repeats, experience, zero_check)
    # a standard error is 0.0034 of both and 0.0025 of either; rounding and pooling leave the interval a little wide
    assert 0.032 <= below + above <= 0.060
    assert 0.010 <= below <= 0.034
    assert 0.010 <= above <= 0.034


# The numbers themselves


def test_the_plain_value_is_the_difference_a_calculator_gives():
    # common practice, no source: 1.113 over 0.759 is 0.354; 1.124 over 0.816 is 0.308
    for h, b, lift_in in (("1.113", "0.759", 0.354), ("1.124", "0.816", 0.308)):
        found = only(derived_quantities(submission(height(h), base(b)), DEFAULT_MODEL), "lobe_lift")
        assert found.value == pytest.approx(lift_in * 25.4, abs=1e-12)


def test_the_plain_value_of_repeats_and_of_entries_read_again_is_of_their_plain_means():
    sent = submission(
        height("1.1725", "1.1735"),
        base("0.8605"),
        base("0.8599", instrument=MICROMETER),
        base("0.8597", instrument=MICROMETER),
    )
    found = only(derived_quantities(sent, DEFAULT_MODEL), "lobe_lift")
    assert found.value == pytest.approx(25.4 * (1.1730 - (0.8605 + 0.8599 + 0.8597) / 3))


def test_a_manuals_lobe_lift_lies_in_the_interval():
    # US Army TM 5-3805-260-24, p. 1-11: exhaust lobe lift .3071 in, as height less base circle; widths are made up
    found = only(derived_quantities(submission(height("1.1590"), base("0.8520")), DEFAULT_MODEL), "lobe_lift")
    assert found.interval[0] < 0.3071 * 25.4 < found.interval[1]


def test_the_correction_makes_the_lift_larger_because_both_errors_make_it_small():
    found = only(derived_quantities(submission(height("1.1725"), base("0.8605")), DEFAULT_MODEL), "lobe_lift")
    assert found.corrected > found.value
    assert found.interval[0] < found.corrected < found.interval[1]
    # one-sided: there is more room above than below
    assert found.interval[1] - found.corrected > found.corrected - found.interval[0]


def test_a_budgets_lines_make_up_the_standard_uncertainty():
    sent = submission(
        height("1.1725", "1.1730"),
        base("0.8605"),
        base("0.8599", instrument=MICROMETER),
        valve_lift("0.465"),
        height("1.2", lobe=LobeKind.EXHAUST),
        base("0.9", lobe=LobeKind.EXHAUST),
        event("intake_opens", "20"),
        event("exhaust_closes", "20"),
    )
    derived = derived_quantities(sent, DEFAULT_MODEL)
    assert [d.quantity for d in derived] == ["lobe_lift", "valve_lift", "lobe_lift", "overlap"]
    for found in derived:
        lines = [line.standard_uncertainty for line in found.budget]
        assert combined_standard_uncertainty(lines) == pytest.approx(found.standard_uncertainty, rel=1e-8)
        assert len({line.component for line in found.budget}) == len(found.budget)


def test_the_zero_of_one_tool_cancels_and_the_budget_says_so():
    lines = budget_of(
        only(derived_quantities(submission(height("1.1725"), base("0.8605")), DEFAULT_MODEL), "lobe_lift")
    )
    assert lines[ZERO_CANCELS] == 0.0
    assert ZEROS_DIFFER not in lines


def test_the_zeros_of_two_tools_do_not_cancel():
    sent = submission(height("1.1725"), base("0.8600", instrument=MICROMETER))
    lines = budget_of(only(derived_quantities(sent, DEFAULT_MODEL), "lobe_lift"))
    assert lines[ZEROS_DIFFER] > DEFAULT_MODEL.tools[CALIPER].zero_sd
    assert ZERO_CANCELS not in lines


def test_a_zero_check_takes_the_tools_zero_out():
    two_tools = [height("1.1725", instrument=CALIPER), base("0.8600", instrument=MICROMETER)]
    checked = reading("zero_check", "0.0020", "0.0020", "0.0020", instrument=CALIPER, reference=Decimal(0))
    without = only(derived_quantities(submission(*two_tools), DEFAULT_MODEL), "lobe_lift")
    with_check = only(derived_quantities(submission(*two_tools, checked), DEFAULT_MODEL), "lobe_lift")
    assert with_check.standard_uncertainty < without.standard_uncertainty
    # the caliper reads 0.002 in large, so the height was smaller than read, and so was the lift
    assert with_check.corrected == pytest.approx(without.corrected - 0.0020 * 25.4, abs=0.015)


def test_a_zero_check_of_the_only_tool_changes_nothing():
    widths = [height("1.1725"), base("0.8605")]
    checked = reading("zero_check", "0.0020", reference=Decimal(0))
    without = only(derived_quantities(submission(*widths), DEFAULT_MODEL), "lobe_lift")
    with_check = only(derived_quantities(submission(*widths, checked), DEFAULT_MODEL), "lobe_lift")
    assert with_check.corrected == pytest.approx(without.corrected, abs=1e-9)
    assert with_check.standard_uncertainty == pytest.approx(without.standard_uncertainty, rel=1e-9)


def test_the_components_have_the_trades_names():
    lines = budget_of(
        only(derived_quantities(submission(height("1.1725"), base("0.8605")), DEFAULT_MODEL), "lobe_lift")
    )
    assert set(lines) == {
        "scatter of the lobe height",
        "scatter of the base circle",
        "rounding of the lobe height",
        "rounding of the base circle",
        "jaws not square to the nose",
        "jaws on the flank",
        "tilt along the shaft",
        ZERO_CANCELS,
        CARE,
    }


# Repeats


def lift_u(*heights, model: MeasuringModel = DEFAULT_MODEL):
    sent = submission(height(*heights), base(*["0.8605"] * 3))
    return only(derived_quantities(sent, model), "lobe_lift").standard_uncertainty


def test_identical_repeats_still_leave_an_uncertainty():
    # Willink, Metrologia 44 (2007) 73: three identical readings on a step of 0.01 mm leave at least 0.0033 mm
    sent = submission(height(*["29.78"] * 3), base(*["21.85"] * 3), unit=MM)
    lines = budget_of(only(derived_quantities(sent, DEFAULT_MODEL), "lobe_lift"))
    left = math.hypot(lines["scatter of the lobe height"], lines["rounding of the lobe height"])
    assert left >= 0.00329


def test_repeats_that_agree_are_worth_more_than_repeats_that_do_not():
    assert lift_u("1.1725", "1.1725", "1.1730") < lift_u("1.1725", "1.1745", "1.1705")


def test_wild_repeats_are_not_explained_away():
    # two readings 0.020 in apart: whatever the model thinks of a hand, s of the mean is 0.010 in
    assert lift_u("1.1725", "1.1925") > 0.004 * 25.4


def test_many_repeats_outweigh_the_models_scatter():
    rng = np.random.default_rng(5)
    values = [f"{v:.3f}" for v in rng.normal(29.8, 0.12, 40)]
    sent = submission(height(*values), base("21.85"), unit=MM)
    lines = budget_of(only(derived_quantities(sent, DEFAULT_MODEL), "lobe_lift"))
    assert lines["scatter of the lobe height"] == pytest.approx(
        np.std([float(v) for v in values], ddof=1) / 40**0.5, rel=0.1
    )


def test_the_repeats_of_a_journal_tell_of_the_hand_too():
    widths = [height("1.1725"), base("0.8605")]
    steady = journal(*["0.7500"] * 8, instrument=MICROMETER)
    shaky = journal(
        "0.7500", "0.7509", "0.7491", "0.7505", "0.7494", "0.7508", "0.7497", "0.7502", instrument=MICROMETER
    )
    u_steady, u_shaky = (
        only(derived_quantities(submission(*widths, extra), DEFAULT_MODEL), "lobe_lift").standard_uncertainty
        for extra in (steady, shaky)
    )
    assert u_steady < u_shaky


# Which quantities


def test_nothing_is_derived_from_what_does_not_allow_it():
    sent = submission(
        journal("0.7500"), height("1.1725"), base("0.86", lobe=LobeKind.EXHAUST), reading("overall_length", "5.12")
    )
    assert derived_quantities(sent, DEFAULT_MODEL) == ()


def test_each_lobe_of_each_cylinder_has_its_lift_in_order():
    entries = [
        make(value, lobe=lobe, cylinder=cylinder)
        for cylinder in (2, 1)
        for lobe in (LobeKind.EXHAUST, LobeKind.INTAKE)
        for make, value in ((height, "1.1725"), (base, "0.8605"))
    ]
    found = [(d.lobe, d.cylinder) for d in derived_quantities(submission(*entries), DEFAULT_MODEL)]
    assert found == [(LobeKind.INTAKE, 1), (LobeKind.INTAKE, 2), (LobeKind.EXHAUST, 1), (LobeKind.EXHAUST, 2)]


def test_a_valve_lift_comes_only_where_a_ratio_is_known():
    widths = [height("1.1725"), base("0.8605")]
    assert [d.quantity for d in derived_quantities(submission(*widths), DEFAULT_MODEL)] == ["lobe_lift"]
    without_ratio = reading("valve_lift", "0.465", lobe=LobeKind.INTAKE)
    assert [d.quantity for d in derived_quantities(submission(*widths, without_ratio), DEFAULT_MODEL)] == ["lobe_lift"]
    other_lobe = valve_lift("0.465", lobe=LobeKind.EXHAUST)
    intake = [
        d.quantity
        for d in derived_quantities(submission(*widths, other_lobe), DEFAULT_MODEL)
        if d.lobe is LobeKind.INTAKE
    ]
    assert intake == ["lobe_lift"]


def test_a_valve_lift_is_lift_times_ratio_less_lash():
    sent = submission(height("1.1725"), base("0.8605"), valve_lift("0.462", ratio="1.5", lash="0.006"))
    found = only(derived_quantities(sent, DEFAULT_MODEL), "valve_lift")
    assert found.value == pytest.approx((0.3120 * 1.5 - 0.006) * 25.4)
    assert budget_of(found)[RATIO] == pytest.approx(0.3120 * 1.5 * 25.4 * DEFAULT_MODEL.valve_ratio_sd)


def test_swapped_height_and_base_give_a_lift_below_nothing_and_no_failure():
    found = only(derived_quantities(submission(height("0.8605"), base("1.1725")), DEFAULT_MODEL), "lobe_lift")
    assert found.value == pytest.approx(-0.3120 * 25.4)


# Timing. IO 20 before top, IC 60 after bottom, EO 60 before bottom, EC 20 after top: separation 110 cam degrees,
# overlap 40 crank degrees; advanced by 5 the events are 25, 55, 65, 15 and neither changes (published worked cases,
# addresses withheld because they are trade pages; recomputed). IO 28, EC 45: overlap 73 (US Army TM 9-8000, sheet 66).


@pytest.mark.parametrize("advance", [0, 5, -5])
def test_separation_and_overlap_of_four_events_do_not_depend_on_the_advance(advance):
    events = {
        "intake_opens": 20 + advance,
        "intake_closes": 60 - advance,
        "exhaust_opens": 60 + advance,
        "exhaust_closes": 20 - advance,
    }
    derived = derived_quantities(submission(*(event(name, str(v)) for name, v in events.items())), DEFAULT_MODEL)
    separation, overlap = only(derived, "lobe_separation"), only(derived, "overlap")
    assert (separation.value, separation.corrected) == pytest.approx((110.0, 110.0))
    assert (overlap.value, overlap.corrected) == pytest.approx((40.0, 40.0))
    assert not separation.is_length
    assert separation.interval[0] < 110 < separation.interval[1]


def test_overlap_needs_only_the_two_events_about_top_dead_centre():
    derived = derived_quantities(submission(event("intake_opens", "28"), event("exhaust_closes", "45")), DEFAULT_MODEL)
    assert [(d.quantity, d.value) for d in derived] == [("overlap", 73.0)]


def test_an_opening_after_top_dead_centre_is_a_negative_number():
    # Rathbun, Practical Hand-Book of Gas, Oil and Steam Engines, section 138: EO 40, EC 10, IO -15, IC 35; the
    # centres 115 and 105 degrees and the overlap of -5 are computed from these settings
    names = ("exhaust_opens", "exhaust_closes", "intake_opens", "intake_closes")
    settings = [event(name, v) for name, v in zip(names, ("40", "10", "-15", "35"), strict=True)]
    derived = derived_quantities(submission(*settings), DEFAULT_MODEL)
    assert only(derived, "overlap").value == pytest.approx(-5)
    assert only(derived, "lobe_separation").value == pytest.approx((115 + 105) / 2)


def test_events_at_different_checking_lifts_are_not_put_together():
    mixed = submission(event("intake_opens", "28"), event("exhaust_closes", "45", checking_lift="0.006"))
    assert derived_quantities(mixed, DEFAULT_MODEL) == ()


def test_overlap_from_two_durations_and_a_separation():
    def duration(lobe, value, degrees):
        return reading("duration", value, lobe=lobe, checking_lift=Decimal("0.050"), degrees=degrees, at=At.LOBE)

    derived = derived_quantities(
        submission(
            duration(LobeKind.INTAKE, "260", Degrees.CRANK),
            duration(LobeKind.EXHAUST, "130", Degrees.CAM),
            reading("lobe_separation", "110"),
        ),
        DEFAULT_MODEL,
    )
    assert [(d.quantity, d.value) for d in derived] == [("overlap", 40.0)]
    assert derived[0].standard_uncertainty > 3.0  # twice the separation's own 1.5 degrees of scatter


def test_every_feature_alone_is_taken_without_failure():
    for feature in Feature:
        sent = submission(reading(feature.value, "1.000", lobe=LobeKind.INTAKE), instrument=Instrument.BENCH)
        for found in derived_quantities(sent, DEFAULT_MODEL):
            assert math.isfinite(found.corrected)
