"""The report on confirmed cases, against published worked examples."""

from __future__ import annotations

import numpy as np
import pytest

from service.domain.truth_record import (
    NOBODYS,
    ConfirmedAnswer,
    Judged,
    ReviewerDecision,
    TwoLooks,
    brier_score,
    cohens_kappa,
    coverage_at,
    reliability,
    share_of,
    truth_report,
)
from tests.benchmarks.scores import coverage_at_error


def answer(stated: float, right: bool, *, named: bool = True) -> ConfirmedAnswer:
    judged = Judged("P-1", "P-1" if right else "P-2", right)
    return ConfirmedAnswer(judged if named else None, stated, right)


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0000, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_a_share_s_interval_is_the_published_wilson_interval(count: int, of: int, low: float, high: float) -> None:
    """Newcombe 1998, Statistics in Medicine 17, 857-872, table I, method 3 (Wilson, uncorrected; from memory)."""
    share = share_of([True] * count + [False] * (of - count))
    assert share.low == pytest.approx(low, abs=6e-5)
    assert share.high == pytest.approx(high, abs=6e-5)


def test_nothing_of_nothing_has_no_share() -> None:
    assert share_of([]).share is None


@pytest.mark.parametrize(
    ("table", "kappa"),
    [
        # The examples most often worked through: 50 and 100 cases, two raters, two categories (from memory).
        ([[20, 5], [10, 15]], 0.4),
        ([[45, 15], [25, 15]], 0.1304),
        ([[25, 35], [5, 35]], 0.2593),
    ],
)
def test_cohens_kappa_is_that_of_the_worked_examples(table: list[list[int]], kappa: float) -> None:
    pairs = [
        (f"{row}", f"{column}") for row, counts in enumerate(table) for column, n in enumerate(counts) for _ in range(n)
    ]
    assert cohens_kappa(pairs) == pytest.approx(kappa, abs=5e-5)


def test_kappa_says_nothing_where_chance_agrees_always() -> None:
    assert cohens_kappa([("a", "a")] * 5) is None
    assert cohens_kappa([]) is None


def test_the_brier_score_is_that_of_a_forecast_worked_by_hand() -> None:
    """(0.7 - 1)^2 = 0.09, (0.3 - 1)^2 = 0.49, (1 - 0)^2 = 1: mean 0.526667."""
    assert brier_score([answer(0.7, True), answer(0.3, True), answer(1.0, False)]) == pytest.approx(1.58 / 3)
    assert brier_score([]) is None


def test_what_was_stated_is_set_against_what_came_true_in_ten_bins() -> None:
    bins = reliability([answer(0.0, False), answer(0.95, True), answer(1.0, True), answer(0.91, False)])
    assert len(bins) == 10
    assert (bins[0].came_true.of, bins[9].came_true.of, bins[9].came_true.count) == (1, 3, 2)
    assert bins[9].mean_stated == pytest.approx((0.95 + 1.0 + 0.91) / 3)
    assert bins[4].mean_stated is None


def test_the_report_counts_answers_people_and_second_looks() -> None:
    right, wrong = Judged("P-1", "P-1", True), Judged("P-1", NOBODYS, False)
    report = truth_report(
        [answer(0.9, True), answer(0.8, False), answer(0.4, True, named=False)],
        [
            ReviewerDecision("J. Moll", "sure", right),
            ReviewerDecision("J. Moll", "guess", wrong),
            ReviewerDecision("J. Moll", "sure", None),
            ReviewerDecision("A. Reed", "likely", right),
        ],
        [TwoLooks("J. Moll", "P-1", "P-1"), TwoLooks("J. Moll", "P-1", None), TwoLooks("A. Reed", NOBODYS, NOBODYS)],
    )
    assert (report.cases, report.named_right.count, report.named_right.of) == (3, 1, 2)
    assert (report.leading_right.count, report.leading_right.of) == (2, 3)
    reed, moll = report.reviewers
    assert (reed.by, reed.right.count, moll.by, moll.right.count, moll.right.of) == ("A. Reed", 1, "J. Moll", 1, 2)
    assert moll.cannot_tell == 1
    assert {confidence: share.share for confidence, share in moll.by_confidence} == {"sure": 1.0, "guess": 0.0}
    assert (report.looks_agree.count, report.looks_agree.of) == (2, 3)
    assert report.kappa == pytest.approx((2 / 3 - 3 / 9) / (1 - 3 / 9))


def test_a_report_on_nothing_says_nothing() -> None:
    report = truth_report([], [], [])
    assert (report.cases, report.brier, report.kappa, report.named_right.share) == (0, None, None, None)


def test_coverage_is_the_largest_share_with_few_enough_wrong() -> None:
    answers = [answer(0.99, True)] * 30 + [answer(0.95, False)] + [answer(0.9, True)] * 20 + [answer(0.5, False)] * 9

    assert (coverage_at(answers, 0.01).share, coverage_at(answers, 0.01).least_stated) == (30 / 60, 0.99)
    assert (coverage_at(answers, 0.05).share, coverage_at(answers, 0.05).least_stated) == (51 / 60, 0.9)
    assert coverage_at([answer(0.9, False)], 0.05).least_stated is None
    assert coverage_at([], 0.05).share == 0


def test_answers_as_sure_as_each_other_are_counted_together() -> None:
    # nine right and one wrong at one stated probability: all ten or none
    assert coverage_at([answer(0.9, True)] * 9 + [answer(0.9, False)], 0.05).share == 0


@pytest.mark.parametrize("error_rate", [0.01, 0.05, 0.2])
def test_coverage_agrees_with_the_benchmark_s_own(error_rate: float) -> None:
    rng = np.random.default_rng(4)
    stated = rng.random(500).round(2)
    right = rng.random(500) < stated**0.5

    found = coverage_at([answer(float(p), bool(r)) for p, r in zip(stated, right, strict=True)], error_rate)

    assert found.share == pytest.approx(coverage_at_error(np.where(stated > 0, stated, -np.inf), right, error_rate))
