"""The distribution of a one-sided, uncertain error against `scipy.stats` and simulation."""

import numpy as np
import pytest
from scipy import stats

from service.identification.measuring.error_mixture import Branch, ErrorMixture


def test_a_single_normal_has_the_normals_quantiles():
    normal = ErrorMixture((Branch(1.0, 0.3, 0.02),))
    for p in (0.01, 0.025, 0.5, 0.975, 0.99):
        assert normal.quantile(p) == pytest.approx(stats.norm(0.3, 0.02).ppf(p), abs=1e-6)


@pytest.mark.parametrize("tail", [0.001, 0.01, 0.02, 0.2])
def test_one_exponential_gives_the_exponentially_modified_normal(tail):
    ours = ErrorMixture((Branch(1.0, 0.0, 0.01, (tail,)),))
    theirs = stats.exponnorm(tail / 0.01, loc=0.0, scale=0.01)
    for p in (0.01, 0.025, 0.5, 0.975, 0.99):
        assert ours.quantile(p) == pytest.approx(theirs.ppf(p), abs=2e-5 * ours.sd + 1e-9)
    assert (ours.mean, ours.sd) == pytest.approx((theirs.mean(), theirs.std()))


def test_exponentials_of_both_signs_are_mirrored():
    up = ErrorMixture((Branch(1.0, 0.01, 0.01, (0.02, -0.005)),))
    down = ErrorMixture((Branch(1.0, -0.01, 0.01, (-0.02, 0.005)),))
    assert up.quantile(0.025) == pytest.approx(-down.quantile(0.975), abs=1e-7)


def test_two_equal_exponentials_sum_to_a_gamma():
    # all but no normal part: Gamma of shape 2
    ours = ErrorMixture((Branch(1.0, 0.0, 1e-3, (1.0, 1.0)),))
    assert ours.quantile(0.975) == pytest.approx(stats.gamma(2).ppf(0.975), abs=1e-3)
    assert ours.cdf(1.0) == pytest.approx(stats.gamma(2).cdf(1.0), abs=1e-4)


def test_a_mixture_weighs_its_branches():
    mixture = ErrorMixture((Branch(3.0, 0.0, 1.0), Branch(1.0, 2.0, 3.0)))
    at = 1.234
    assert mixture.cdf(at) == pytest.approx(0.75 * stats.norm.cdf(at) + 0.25 * stats.norm(2, 3).cdf(at), abs=1e-7)
    assert mixture.mean == pytest.approx(0.5)
    assert mixture.sd**2 == pytest.approx(0.75 * 1 + 0.25 * 9 + 0.75 * 0.25 * 4)


def test_a_simulated_mixture_has_the_stated_quantiles():
    rng = np.random.default_rng(11)
    n = 400_000
    first = rng.normal(0.0, 0.004, n) + rng.exponential(0.02, n) + rng.exponential(0.03, n)
    second = rng.normal(0.01, 0.02, n) + rng.exponential(0.05, n) - rng.exponential(0.01, n)
    drawn = np.where(rng.random(n) < 0.7, first, second)
    mixture = ErrorMixture((Branch(0.7, 0.0, 0.004, (0.02, 0.03)), Branch(0.3, 0.01, 0.02, (0.05, -0.01))))
    for p in (0.025, 0.5, 0.975):
        assert (drawn < mixture.quantile(p)).mean() == pytest.approx(p, abs=0.002)
