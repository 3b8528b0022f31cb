"""The measuring model: what rounding, repeats, digits and experience do to the error of an entry's mean."""

import itertools
import math

import numpy as np
import pytest

from service.domain.catalogue import Tolerance
from service.domain.readings import Experience, Feature, Instrument
from service.domain.units import LengthUnit
from service.identification.measuring.model import (
    DEFAULT_MODEL,
    hand_factor,
    making_sd,
    rounding_variance_of_mean,
    spread_of_mean,
    written_step,
)
from tests.submissions import CALIPER, MICROMETER, base, height, journal, reading, submission, valve_lift


def error(entry, **said):
    return spread_of_mean(entry, submission(entry, **said), DEFAULT_MODEL)


# Rounding


@pytest.mark.parametrize("repeats", [1, 2, 5])
@pytest.mark.parametrize("scatter_in_steps", [0.05, 0.3, 0.45, 1.0])
def test_the_mean_of_rounded_repeats_strays_as_simulated(scatter_in_steps, repeats):
    rng = np.random.default_rng(20)
    truths = rng.uniform(0, 1, 60_000)
    readings = np.round(truths[:, None] + rng.normal(0, scatter_in_steps, (truths.size, repeats)))
    seen = (readings.mean(axis=1) - truths).var()
    stated = scatter_in_steps**2 / repeats + rounding_variance_of_mean(1.0, scatter_in_steps, repeats)
    assert stated == pytest.approx(seen, rel=0.02)


@pytest.mark.parametrize("repeats", [1, 3, 100])
def test_without_scatter_repeats_do_not_help_against_rounding(repeats):
    assert rounding_variance_of_mean(0.5, 0.0, repeats) == pytest.approx(0.25 / 12, rel=1e-15)


def test_with_much_scatter_rounding_averages_out_like_the_scatter():
    assert rounding_variance_of_mean(0.5, 5.0, 10) == pytest.approx(0.25 / 12 / 10)


def test_one_rounding_is_a_twelfth_of_the_step_squared_whatever_the_scatter():
    for scatter in (0.0, 0.01, 0.3, 7.0):
        assert rounding_variance_of_mean(0.02, scatter, 1) == pytest.approx(0.02**2 / 12)


def test_the_shared_part_of_rounding_equals_its_series():
    # the variance of infinitely many repeats' mean is the shared part alone
    for scatter in (0.001, 0.03, 0.0795, 0.0797, 0.2, 0.5, 1.0):
        a = 4 * math.pi**2 * scatter**2
        terms = int(7 / math.sqrt(a)) + 2
        series = math.fsum(math.exp(-a * m * m) / m**2 for m in range(1, terms)) / (2 * math.pi**2)
        assert rounding_variance_of_mean(1.0, scatter, 10**15) == pytest.approx(series, rel=1e-12, abs=1e-15)


def test_rounding_falls_with_scatter_and_with_repeats():
    shares = [rounding_variance_of_mean(1.0, s, 4) for s in np.linspace(0, 2, 200)]
    assert all(later <= earlier for earlier, later in itertools.pairwise(shares))
    repeats = [rounding_variance_of_mean(1.0, 0.2, n) for n in range(1, 20)]
    assert all(later < earlier for earlier, later in itertools.pairwise(repeats))


def test_no_step_means_no_rounding():
    assert rounding_variance_of_mean(0.0, 0.1, 3) == 0.0


# The step


def test_digits_written_coarser_than_the_tool_set_the_step():
    entry = height("1.17")
    assert written_step(entry, CALIPER, LengthUnit.INCH, DEFAULT_MODEL) == pytest.approx(0.254)
    entry = height("1.1725")
    assert written_step(entry, CALIPER, LengthUnit.INCH, DEFAULT_MODEL) == pytest.approx(0.0127)


def test_trailing_zeros_count_as_digits():
    assert written_step(height("1.1"), MICROMETER, LengthUnit.INCH, DEFAULT_MODEL) == pytest.approx(2.54)
    assert written_step(height("1.100"), MICROMETER, LengthUnit.INCH, DEFAULT_MODEL) == pytest.approx(0.0254)
    assert written_step(height("1.1000"), MICROMETER, LengthUnit.INCH, DEFAULT_MODEL) == pytest.approx(0.00254)


def test_a_number_without_its_zeros_is_taken_to_the_tools_step():
    assert written_step(height(1.1), MICROMETER, LengthUnit.INCH, DEFAULT_MODEL) == pytest.approx(0.00254)


def test_the_finest_of_the_repeats_shows_how_finely_they_were_read():
    assert written_step(height("29.8", "29.81"), CALIPER, LengthUnit.MILLIMETRE, DEFAULT_MODEL) == pytest.approx(0.01)


def test_degrees_are_not_converted_to_millimetres():
    entry = reading("lobe_separation", "108")
    assert written_step(entry, Instrument.DEGREE_WHEEL, LengthUnit.INCH, DEFAULT_MODEL) == 1.0


# The error of an entry


def test_a_height_reads_small_and_a_base_circle_reads_large():
    assert error(height("1.1725")).sign == -1
    assert error(base("0.8605")).sign == +1
    assert error(height("1.1725")).technique_mean > 0
    assert error(journal("0.7500")).technique_mean == 0


def test_every_width_reads_a_little_large_by_its_tilt():
    for entry in (height("1.1725"), base("0.8605"), journal("0.7500")):
        assert error(entry).bias == DEFAULT_MODEL.tilt_mean


def test_an_unpractised_hand_scatters_more_and_its_technique_is_worse():
    first = error(height("1.1725"), experience=Experience.FIRST_TIME)
    practised = error(height("1.1725"), experience=Experience.PRACTISED)
    unknown = error(height("1.1725"))
    assert first.sd > unknown.sd > practised.sd
    assert first.technique_mean > unknown.technique_mean > practised.technique_mean
    assert hand_factor(None, DEFAULT_MODEL) == DEFAULT_MODEL.unknown_experience_factor


def test_repeats_average_the_scatter_but_neither_the_zero_nor_the_technique():
    once, often = error(height("1.1725")), error(height(*["1.1725"] * 9))
    assert often.sd < once.sd
    assert (often.zero_sd, often.technique_mean) == (once.zero_sd, once.technique_mean)


def test_an_entrys_variance_is_scatter_rounding_and_tilt():
    entry = error(journal("0.7500", "0.7505", "0.7500"))
    expected = (
        entry.scatter_sd**2 / 3 + rounding_variance_of_mean(entry.step, entry.scatter_sd, 3) + DEFAULT_MODEL.tilt_sd**2
    )
    assert entry.sd**2 == pytest.approx(expected)


def test_scatter_that_repeats_have_shown_takes_the_models_place():
    entry = height("1.1725", "1.1790")
    seen = spread_of_mean(entry, submission(entry), DEFAULT_MODEL, scatter_sd=0.2)
    assert seen.scatter_sd == 0.2
    assert seen.sd == pytest.approx(0.2 / math.sqrt(2), rel=0.01)


def test_a_tools_zero_cancels_in_a_lift_it_reads_as_a_difference():
    lift = reading("lobe_lift", "0.312", lobe=height("1").lobe, instrument=CALIPER)
    assert error(lift).zero_sd == 0.0
    assert error(journal("0.7500", instrument=CALIPER)).zero_sd > 0.0


def test_a_lift_of_two_caliper_widths_carries_both_their_techniques():
    lift = reading("lobe_lift", "0.3120", lobe=height("1").lobe, instrument=CALIPER)
    both = (
        error(height("1.1725", instrument=CALIPER)).technique_mean
        + error(base("0.86", instrument=CALIPER)).technique_mean
    )
    assert error(lift).technique_mean == pytest.approx(both)
    assert error(lift).sign == -1


def test_an_indicator_lift_has_no_one_sided_part():
    assert error(valve_lift("0.465", instrument=Instrument.DIAL_INDICATOR)).technique_mean == 0.0


def test_each_tool_of_the_trade_has_its_errors():
    assert set(DEFAULT_MODEL.tools) == set(Instrument)
    better, worse = DEFAULT_MODEL.tools[MICROMETER], DEFAULT_MODEL.tools[CALIPER]
    assert (better.zero_sd, better.scatter, better.height_small) < (worse.zero_sd, worse.scatter, worse.height_small)


# Making


def test_an_asymmetric_tolerance_moves_the_mean_to_its_middle():
    shift, sd = making_sd(Tolerance(0.0127, 0.0), 0.011, DEFAULT_MODEL)
    assert shift == pytest.approx(-0.00635)
    assert sd == pytest.approx(0.0127 / DEFAULT_MODEL.tolerance_sds)


@pytest.mark.parametrize("tolerance", [None, Tolerance(0.0, 0.0)])
def test_without_a_tolerance_the_models_spread_stands(tolerance):
    assert making_sd(tolerance, 0.011, DEFAULT_MODEL) == (0.0, 0.011)


def test_the_one_place_of_variance_knows_every_feature():
    for feature in Feature:
        entry = reading(feature.value, "1.000")
        assert spread_of_mean(entry, submission(entry), DEFAULT_MODEL).sd > 0
