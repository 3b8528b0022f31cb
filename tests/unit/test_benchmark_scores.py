"""The benchmark's scores against published values and obvious cases.

scikit-learn's are the examples in the docstrings of `brier_score_loss` and `log_loss`; Murphy's parts are worked by
hand from A. H. Murphy, "A new vector partition of the probability score", J. Appl. Meteorol. 12 (1973) 595.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.benchmarks.scores import brier_score, coverage_at_error, log_score, murphy_parts, reliability_bins

THREE_CLASSES = [[0.8, 0.1, 0.1], [0.2, 0.7, 0.1], [0.2, 0.2, 0.6]]


def test_brier_score_of_two_classes_is_scikit_learns() -> None:
    assert brier_score([0.1, 0.9, 0.8, 0.3], [0, 1, 1, 0]) == pytest.approx(0.0375, abs=1e-12)


def test_brier_score_of_three_classes_is_summed_over_them_as_scikit_learns_is() -> None:
    assert brier_score(THREE_CLASSES, np.eye(3)) == pytest.approx(0.146667, abs=5e-7)


@pytest.mark.parametrize(("stated", "score"), [(0.7, 0.09), (0.3, 0.49), (0.5, 0.25)])
def test_brier_score_of_one_event_that_happens(stated: float, score: float) -> None:
    assert brier_score([stated], [1]) == pytest.approx(score)


def test_log_score_is_scikit_learns_log_loss() -> None:
    assert log_score([0.9, 0.9, 0.8, 0.65]) == pytest.approx(0.2161618747, abs=1e-10)


def test_log_score_of_three_classes_takes_the_probability_of_the_truth() -> None:
    assert log_score([row[i] for i, row in enumerate(THREE_CLASSES)]) == pytest.approx(0.3635480397, abs=1e-10)


def test_log_score_of_an_impossible_truth_is_finite() -> None:
    assert math.isfinite(log_score([0.0]))


@pytest.mark.parametrize(("low", "high", "reliability", "brier"), [(0.2, 0.8, 0.0, 0.16), (0.1, 0.9, 0.01, 0.17)])
def test_murphys_parts_add_up_to_the_brier_score(low: float, high: float, reliability: float, brier: float) -> None:
    stated, seen = [low] * 5 + [high] * 5, [1, 0, 0, 0, 0, 1, 1, 1, 1, 0]
    parts = murphy_parts(stated, seen)
    assert parts.reliability == pytest.approx(reliability, abs=1e-12)
    assert parts.resolution == pytest.approx(0.09)
    assert parts.uncertainty == pytest.approx(0.25)
    assert brier_score(stated, seen) == pytest.approx(brier)
    assert parts.reliability - parts.resolution + parts.uncertainty == pytest.approx(brier)


def test_coverage_answers_the_surest_until_too_many_are_wrong() -> None:
    right = [True] * 9 + [False] + [True] * 10
    confidence = np.linspace(1, 0, 20)
    assert coverage_at_error(confidence, right, 0.05) == 1.0
    assert coverage_at_error(confidence, right, 0.049) == 9 / 20


def test_coverage_answers_equal_confidences_together_or_not_at_all() -> None:
    assert coverage_at_error([3.0, 2.0, 2.0, 2.0], [True, True, True, False], 0.1) == 1 / 4
    assert coverage_at_error([2.0, 2.0], [True, False], 0.1) == 0.0


def test_coverage_leaves_out_what_was_refused() -> None:
    assert coverage_at_error([1.0, -np.inf], [True, True], 0.1) == 1 / 2


def test_reliability_bins_are_of_equal_count_and_agree_where_statements_are_true() -> None:
    rng = np.random.default_rng(5)
    stated = rng.random(20_000)
    happened = rng.random(20_000) < stated
    bins = reliability_bins(stated, happened)
    assert [found.count for found in bins] == [2000] * 10
    assert all(found.agrees(0.0 + found.standard_error) for found in bins)


def test_reliability_finds_an_over_confident_bin_and_keeps_a_standard_error_at_certainty() -> None:
    (found,) = reliability_bins([0.9] * 400, [True] * 300 + [False] * 100, bins=1)
    assert (found.stated, found.observed) == (pytest.approx(0.9), 0.75)
    assert found.standard_error == pytest.approx(math.sqrt(0.9 * 0.1 / 400))
    assert not found.agrees()
    (sure,) = reliability_bins([0.99] * 100, [True] * 100, bins=1)
    assert sure.standard_error > 0
    assert sure.agrees(0.0)
