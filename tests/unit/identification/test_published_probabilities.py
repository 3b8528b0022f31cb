"""Normal and exponentially modified normal probabilities against published values.

Sources: JCGM 106 (conformity assessment), whose three worked cases here are from memory and were recomputed; the
values of the exponentially modified normal stand in scipy's own tests (class TestExponNorm) as results of mpmath.
"""

import numpy as np
import pytest

from service.identification.measuring.combination import combined_standard_uncertainty
from service.identification.measuring.error_mixture import Branch, ErrorMixture
from service.identification.numerics.densities import log_emg, log_normal


def within(measured: float, u: float, lower: float | None, upper: float | None) -> float:
    """The probability that the true value lies within limits, of a normal error."""
    error = ErrorMixture((Branch(1.0, 0.0, u),))
    below_upper = 1.0 if upper is None else error.cdf(upper - measured)
    below_lower = 0.0 if lower is None else error.cdf(lower - measured)
    return below_upper - below_lower


@pytest.mark.parametrize(
    ("measured", "u", "lower", "upper", "conforms"),
    [
        pytest.param(-5.47, 0.05, None, -5.40, 0.9192, id="a voltage under its upper limit"),
        pytest.param(509.7, 8.6, 490.0, None, 0.9890, id="a burst pressure over its lower limit"),
        pytest.param(13.6, 1.8, 12.5, 16.3, 0.6626, id="a viscosity between two limits"),
    ],
)
def test_the_probability_of_conforming(measured, u, lower, upper, conforms):
    assert within(measured, u, lower, upper) == pytest.approx(conforms, abs=1e-4)


def test_four_normals_of_the_guide():
    # JCGM 101, 9.2.2, as a national laboratory's public code quotes it: four N(0, 1) have u 2.0, 95 % within 3.92
    u = combined_standard_uncertainty([1.0] * 4)
    assert u == 2.0
    total = ErrorMixture((Branch(1.0, 0.0, u),))
    assert [total.quantile(0.025), total.quantile(0.975)] == pytest.approx([-3.91993, 3.91993], abs=1e-5)


@pytest.mark.parametrize(
    ("x", "tail", "pdf"),
    [
        (1, 0.01, 0.24438994313247364),
        (-1, 0.01, 0.23955149623472075),
        (20, 0.01, 6.90010764753618e-88),
        (10, 1, 7.48518298877006e-05),
        (10, 10000, 9.990005048283775e-05),
    ],
)
def test_the_density_of_the_exponentially_modified_normal(x, tail, pdf):
    assert np.exp(log_emg(np.array(float(x)), 1.0, float(tail), 1)) == pytest.approx(pdf, rel=1e-9)
    assert np.exp(log_emg(np.array(-float(x)), 1.0, float(tail), -1)) == pytest.approx(pdf, rel=1e-9)


@pytest.mark.parametrize(
    ("x", "tail", "cdf"),
    [
        (0, 0.01, 0.4960109760186432),
        (-5, 0.005, 2.7939945412195734e-07),
        (5, 0.001, 0.9999997118542392),
        (2, 0.005, 1 - 0.02302280664231312),
        (10, 0.01, 1 - 8.474702916146657e-24),
    ],
)
def test_the_distribution_of_the_exponentially_modified_normal(x, tail, cdf):
    assert ErrorMixture((Branch(1.0, 0.0, 1.0, (tail,)),)).cdf(x) == pytest.approx(cdf, abs=1e-9)


def test_an_error_like_wear():
    # location 0, spread 0.01, tail 0.02: computed with scipy and mpmath, which agree
    at = np.array([0.0, 0.02, 0.05])
    densities = [17.4809417360199, 19.4506317414252, 4.65070865889166]
    assert np.exp(log_emg(at, 0.01, 0.02, 1)) == pytest.approx(densities, rel=1e-12)
    assert np.exp(log_emg(-at, 0.01, 0.02, -1)) == pytest.approx(densities, rel=1e-12)
    error = ErrorMixture((Branch(1.0, 0.0, 0.01, (0.02,)),))
    assert [error.cdf(x) for x in at] == pytest.approx(
        [0.150381165279602, 0.588237233223317, 0.906985540170595], abs=1e-8
    )
    quantiles = [error.quantile(p) for p in (0.025, 0.5, 0.975)]
    assert quantiles == pytest.approx([-0.0115907, 0.0157680, 0.0762776], abs=1e-7)
    assert (error.mean, error.sd**2) == pytest.approx((0.02, 5.0e-4))


def test_the_normal_density_against_its_closed_form():
    # the log score of a standard normal at 1: 1.4189385332 nats
    assert -log_normal(np.array(1.0), 1.0) == pytest.approx(1.4189385332, abs=1e-10)
