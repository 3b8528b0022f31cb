"""Each part's share of callers, learned from confirmed cases: against closed forms, scipy and published figures."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import minimize
from scipy.stats import dirichlet_multinomial, nbinom, norm

from service.domain.catalogue import Catalogue, PartStatus
from service.domain.identification import AnswerState
from service.identification.catalogue_table.table import CatalogueTable, build_table
from service.identification.engine import identify
from service.identification.learning.demand import (
    LEAST_OF_CATALOGUE,
    NOTHING_LEARNED,
    Confirmed,
    Demand,
    Tally,
    class_shares,
    confirmed_unevenly,
    learn_demand,
    log_marginal,
    means,
    shares_beside,
    with_demand,
)
from tests.benchmarks.catalogues import fixture_catalogue
from tests.submissions import base, height, journal, submission

CATALOGUE = fixture_catalogue()
TABLE = build_table(CATALOGUE)
NUMBERS = TABLE.part_numbers

spreads = st.sampled_from([0.0, 0.06, 0.4, 2.0])
counts = st.lists(st.tuples(st.sampled_from(NUMBERS), st.integers(0, 300)), max_size=12)


def demand(found: dict[str, int], core_spread: float, part_spread: float) -> Demand:
    """What a desk's confirmed callers would say under given spreads; parts not named had no caller."""
    callers = dict.fromkeys(NUMBERS, 0) | found
    return Demand(tuple(sorted(callers.items())), core_spread, part_spread)


def share_of(table: CatalogueTable, number: str) -> float:
    """The share of callers of a part number's class."""
    return float(class_shares(table)[table.class_of[table.part_numbers.index(number)]])


def drawn(spread: float, callers: int, seed: int) -> tuple[np.ndarray, list[str]]:
    """(true share of each class, the part numbers of so many callers) where shares are so far off the catalogue's."""
    rng = np.random.default_rng(seed)
    truth = np.exp(TABLE.log_prior) * np.exp(spread * rng.standard_normal(len(NUMBERS)))
    truth /= truth.sum()
    numbers = np.repeat(NUMBERS, rng.multinomial(callers, truth)).tolist()
    return np.bincount(TABLE.class_of, truth), numbers


@settings(max_examples=60, deadline=None)
@given(counts, spreads, spreads)
def test_shares_sum_to_one_and_none_falls_far_below_the_catalogue_s(
    found: list[tuple[str, int]], core_spread: float, part_spread: float
) -> None:
    shares = class_shares(with_demand(TABLE, demand(dict(found), core_spread, part_spread)))

    assert shares.sum() == pytest.approx(1, abs=1e-12)
    assert (shares >= LEAST_OF_CATALOGUE * class_shares(TABLE) * (1 - 1e-9)).all()


@settings(max_examples=60, deadline=None)
@given(counts, st.sampled_from(NUMBERS), spreads, spreads)
def test_a_part_with_one_more_confirmed_caller_never_has_a_smaller_share(
    found: list[tuple[str, int]], number: str, core_spread: float, part_spread: float
) -> None:
    before = dict(found)
    after = before | {number: before.get(number, 0) + 1}
    one, other = (with_demand(TABLE, demand(each, core_spread, part_spread)) for each in (before, after))

    assert share_of(other, number) >= share_of(one, number) * (1 - 1e-9)


def test_without_spread_the_catalogue_s_shares_stay_whatever_was_confirmed() -> None:
    assert with_demand(TABLE, demand({NUMBERS[0]: 500}, 0.0, 0.0)) is TABLE
    assert with_demand(TABLE, NOTHING_LEARNED) is TABLE
    nearly = class_shares(with_demand(TABLE, demand({NUMBERS[0]: 5}, 0.0, 1e-4)))
    np.testing.assert_allclose(nearly, class_shares(TABLE), rtol=1e-4)


def test_with_boundless_spread_shares_are_those_of_the_callers() -> None:
    callers, share = np.array([0.0, 2.0, 3.0, 15.0]), np.array([0.4, 0.3, 0.2, 0.1])
    tally = Tally(callers, 20 * share, np.zeros(4, np.int64))

    np.testing.assert_allclose(share * means(tally, 0.0, 1e6), callers / 20, atol=1e-9)


def test_few_callers_and_callers_as_the_catalogue_says_change_nothing() -> None:
    assert learn_demand(TABLE, []).says_nothing
    assert learn_demand(TABLE, [NUMBERS[3], NUMBERS[80], NUMBERS[80]]).says_nothing
    _, as_stated = drawn(0.0, 400, 1)
    assert learn_demand(TABLE, as_stated).part_spread < 0.15


def test_the_order_of_cases_does_not_matter() -> None:
    _, numbers = drawn(0.6, 300, 2)

    assert learn_demand(TABLE, numbers) == learn_demand(TABLE, numbers[::-1])
    assert learn_demand(TABLE, [*numbers, "NOBODY-1"]) == learn_demand(TABLE, numbers)


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_shares_come_nearer_to_the_truth_the_more_callers_are_confirmed(seed: int) -> None:
    away = []
    for callers in (0, 300, 3000):
        truth, numbers = drawn(0.6, callers, seed)
        learned = class_shares(with_demand(TABLE, learn_demand(TABLE, numbers)))
        away.append(float((truth * np.log(truth / learned)).sum()))

    assert away[0] > away[1] > away[2]
    assert away[2] < away[0] / 4
    # a log-normal of 0.6 has the variance of a gamma of 0.66; the grid of spreads is a fifth apart
    assert 0.45 < learn_demand(TABLE, drawn(0.6, 3000, seed)[1]).part_spread < 0.85


def test_a_core_that_callers_have_more_often_is_seen_as_such() -> None:
    rng = np.random.default_rng(6)
    busy = np.exp(0.7 * rng.standard_normal(len(TABLE.core_codes)))
    truth = np.exp(TABLE.log_prior) * busy[TABLE.core_of]
    numbers = np.repeat(NUMBERS, rng.multinomial(500, truth / truth.sum())).tolist()
    learned = learn_demand(TABLE, numbers)

    assert learned.core_spread > 0.3
    assert learned.part_spread < 0.3


def test_a_superseded_number_counts_for_its_class_and_the_class_keeps_its_parts() -> None:
    several = next(numbers for numbers in TABLE.class_numbers if len(numbers) > 1)
    current, old = several[0], several[1]
    by_old, by_current = (with_demand(TABLE, demand({number: 30}, 0.2, 0.5)) for number in (old, current))

    np.testing.assert_array_equal(by_old.log_prior, by_current.log_prior)
    assert share_of(by_old, current) > share_of(TABLE, current)
    i, j = NUMBERS.index(current), NUMBERS.index(old)
    assert by_old.log_prior[i] - by_old.log_prior[j] == pytest.approx(TABLE.log_prior[i] - TABLE.log_prior[j])


def test_it_applies_to_a_later_revision() -> None:
    learned = demand({NUMBERS[0]: 40, NUMBERS[5]: 3, NUMBERS[9]: 20}, 0.0, 0.5)
    gone = {NUMBERS[9], *(part.part_number for part in CATALOGUE.parts if part.superseded_by == NUMBERS[9])}
    new = replace(CATALOGUE.parts[0], part_number="NEW-1", superseded_by=None, status=PartStatus.CURRENT)
    later = build_table(Catalogue(CATALOGUE.cores, (*(p for p in CATALOGUE.parts if p.part_number not in gone), new)))
    under = with_demand(later, learned)

    assert class_shares(under).sum() == pytest.approx(1)
    factor = {number: share_of(under, number) / share_of(later, number) for number in (NUMBERS[0], NUMBERS[1], "NEW-1")}
    # nobody could have been confirmed to have what was not there: that no caller had it does not speak against it
    assert factor[NUMBERS[0]] > factor["NEW-1"] > factor[NUMBERS[1]]


def test_what_changes_most_is_listed_first_under_its_current_number() -> None:
    several = next(numbers for numbers in TABLE.class_numbers if len(numbers) > 1)
    listed = shares_beside(TABLE, NOTHING_LEARNED, demand({several[1]: 400}, 0.0, 0.8))

    assert (listed[0].part_number, listed[0].confirmed) == (several[0], 400)
    assert listed[0].after > listed[0].before == pytest.approx(share_of(TABLE, several[0]))
    assert len(listed) == len(TABLE.class_numbers)


def test_parts_that_get_confirmed_more_often_than_others_are_noticed() -> None:
    rng = np.random.default_rng(7)
    cases = rng.poisson(12, len(NUMBERS))
    evenly = rng.binomial(cases, 0.3)
    unevenly = rng.binomial(cases, np.clip(0.3 * np.exp(0.5 * rng.standard_normal(cases.size)), 0, 1))
    found, other = (
        confirmed_unevenly(TABLE, {n: (int(a), int(c)) for n, a, c in zip(NUMBERS, cases, confirmed, strict=True)})
        for confirmed in (evenly, unevenly)
    )

    assert (found.cases, found.confirmed) == (cases.sum(), evenly.sum())
    assert found.spread < 0.1
    assert 0.3 < other.spread < 0.7
    assert confirmed_unevenly(TABLE, {"NOBODY-1": (5, 5)}) == Confirmed(0, 0, 0.0)


# scipy's distributions


@pytest.mark.parametrize("spread", [0.2, 0.7, 2.0])
def test_counts_are_negative_binomial(spread: float) -> None:
    callers, expected = np.array([0.0, 4.0, 1.0, 30.0, 0.0]), np.array([0.3, 2.0, 5.0, 20.0, 7.7])
    tally = Tally(callers, expected, np.array([0, 0, 1, 1, 2]))
    size = spread**-2

    by_scipy = nbinom.logpmf(callers, size, size / (size + expected)).sum()
    assert log_marginal(tally, 0.0, spread) == pytest.approx(by_scipy, rel=1e-10)


@pytest.mark.parametrize("spread", [0.3, 1.0])
def test_of_equal_shares_it_is_the_dirichlet_multinomial(spread: float) -> None:
    callers = np.array([0, 1, 1, 7, 3, 0, 12])
    size, classes, total = spread**-2, callers.size, int(callers.sum())
    tally = Tally(callers.astype(float), np.full(classes, total / classes), np.zeros(classes, np.int64))

    given_total = dirichlet_multinomial.logpmf(callers, np.full(classes, size), total)
    of_total = nbinom.logpmf(total, classes * size, classes * size / (classes * size + total))
    assert log_marginal(tally, 0.0, spread) == pytest.approx(given_total + of_total, rel=1e-10)
    posterior_mean = (size + callers) / (classes * size + total)
    np.testing.assert_allclose(means(tally, 0.0, spread) / classes, posterior_mean, rtol=1e-12)


@pytest.mark.parametrize(("core_spread", "part_spread"), [(0.3, 0.0), (0.5, 0.4), (1.0, 0.8)])
def test_a_core_s_level_is_summed_out_as_quadrature_does(core_spread: float, part_spread: float) -> None:
    callers, expected = np.array([5.0, 0.0, 9.0]), np.array([2.0, 1.5, 6.0])
    tally = Tally(callers, expected, np.zeros(3, np.int64))

    def joint(level: float) -> float:
        of_counts = log_marginal(Tally(callers, expected * math.exp(level), tally.core), 0.0, part_spread)
        return math.exp(of_counts) * float(norm.pdf(level, 0, core_spread))

    exact = math.log(quad(joint, -6, 6, points=[0.0, 0.3], epsabs=0)[0])
    assert log_marginal(tally, core_spread, part_spread) == pytest.approx(exact, abs=0.02)


# Cases of lip cancer in 56 counties of Scotland and how many were expected: D. Clayton and J. Kaldor, Biometrics 43
# (1987) 671, as public code for fitting them quotes the data.


def row_of(text: str) -> np.ndarray:
    return np.array([float(word) for word in text.split()])


OBSERVED = row_of(
    """9 39 11 9 15 8 26 7 6 20 13 5 3 8 17 9 2 7 9 7 16 31 11 7 19 15 7 10 16 11 5 3 7 8 11 9 11 8 6 4 10 8 2 6 19 3 2
    3 28 6 1 1 1 1 0 0"""
)
EXPECTED = row_of(
    """1.4 8.7 3.0 2.5 4.3 2.4 8.1 2.3 2.0 6.6 4.4 1.8 1.1 3.3 7.8 4.6 1.1 4.2 5.5 4.4 10.5 22.7 8.8 5.6 15.5 12.5 6.0
    9.0 14.4 10.2 4.8 2.9 7.0 8.5 12.3 10.1 12.7 9.4 7.2 5.3 18.8 15.8 4.3 14.6 50.7 8.2 5.6 9.3 88.7 19.6 3.4 3.6 5.7
    7.0 4.2 1.8"""
)


def counties(log_rate: float) -> Tally:
    """Each county as a class on a core of its own."""
    return Tally(OBSERVED, EXPECTED * math.exp(log_rate), np.arange(OBSERVED.size))


def test_clayton_and_kaldor_s_gamma_model_is_found_again() -> None:
    """Its shape 1.88 and rate 1.32 are from memory; scipy's negative binomial gives the same (1.8795, 1.3217)."""
    found = minimize(lambda x: -log_marginal(counties(x[0]), 0.0, math.exp(x[1])), [0.0, -0.5], method="Nelder-Mead")
    log_rate, shape = found.x[0], math.exp(-2 * found.x[1])

    assert shape == pytest.approx(1.88, abs=0.005)
    assert shape / math.exp(log_rate) == pytest.approx(1.32, abs=0.005)
    theta = math.exp(log_rate) * means(counties(log_rate), 0.0, math.exp(found.x[1]))
    np.testing.assert_allclose(theta, (shape + OBSERVED) / (shape / math.exp(log_rate) + EXPECTED), rtol=1e-9)


def test_a_published_random_intercept_fit_of_the_counties_is_found_again() -> None:
    """G. Rodriguez, Multilevel Models (Princeton), "A Random-Intercept Poisson Model": log-likelihood -181.324, and
    1.456 for the first county's mode beside the mean."""
    found = minimize(lambda x: -log_marginal(counties(x[0]), math.exp(x[1]), 0.0), [0.0, -0.5], method="Nelder-Mead")

    assert -found.fun == pytest.approx(-181.324, abs=0.15)  # theirs by quadrature
    mode = math.log(means(counties(found.x[0]), math.exp(found.x[1]), 0.0)[0])
    assert mode == pytest.approx(1.456, abs=0.01)  # under constants of greatest likelihood, and so by quadrature too


# what answers say


def test_what_was_known_before_any_reading_is_said_in_bits_of_the_learned_shares() -> None:
    asked = submission(journal("0.7495", "0.7500"), height("1.1725"), base("0.8605"))
    first, second = (c.part_number for c in identify(TABLE, asked).candidates[:2])
    learned = with_demand(TABLE, demand({first: 25, NUMBERS[100]: 200}, 0.0, 0.5))
    before, after = (
        next(c for c in identify(table, asked).candidates if c.part_number == first) for table in (TABLE, learned)
    )
    bits = [next(row.bits for row in one.evidence if row.pointer == "prior") for one in (before, after)]
    apart = [share_of(table, first) / share_of(table, second) for table in (TABLE, learned)]

    assert bits[1] - bits[0] == pytest.approx(math.log2(apart[1] / apart[0]), abs=0.02)
    assert after.probability > before.probability


def test_what_callers_turn_out_to_have_never_names_one_of_two_that_fit_alike() -> None:
    one = next(p for p in CATALOGUE.parts if p.status is PartStatus.CURRENT)
    twin = replace(one, part_number="TWIN-1", superseded_by=None)
    table = build_table(Catalogue(CATALOGUE.cores, (one, twin)))
    learned = with_demand(table, Demand(((one.part_number, 1000), ("TWIN-1", 0)), 0.0, 2.0))
    answer = identify(
        learned,
        submission(
            journal("0.7500"),
            *(height(f"{(lobe.base_circle_mm + lobe.lift_mm) / 25.4:.4f}", lobe=k) for k, lobe in one.lobes.items()),
            *(base(f"{lobe.base_circle_mm / 25.4:.4f}", lobe=kind) for kind, lobe in one.lobes.items()),
        ),
    )

    assert answer.state is not AnswerState.IDENTIFIED
    assert set(answer.credible_set) == {one.part_number, "TWIN-1"}
