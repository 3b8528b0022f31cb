"""Learning from confirmed cases, against callers drawn from constants that are known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from service.domain.errors import InvalidInput
from service.domain.readings import Instrument
from service.identification.catalogue_table.table import build_table
from service.identification.engine import identify
from service.identification.learning.calibration import (
    FACTORS,
    HELD_OUT,
    Calibration,
    LabelledCase,
    Learn,
    calibrate,
    with_factors,
)
from service.identification.learning.demand import learn_demand
from service.identification.learning.marks import log_chance_of_marks
from service.identification.measuring.model import DEFAULT_MODEL
from tests.benchmarks.catalogues import fixture_catalogue
from tests.labelled_callers import draw_cases

HANDLED = FACTORS[:4]
"""What the drawn callers show; they make no slips."""
DOUBLED, HALVED = dict.fromkeys(HANDLED, 2.0), dict.fromkeys(HANDLED, 0.5)


CATALOGUE = fixture_catalogue()
TABLE = build_table(CATALOGUE)


def cases(count: int, factors: dict[str, float], seed: int) -> tuple[LabelledCase, ...]:
    return draw_cases(CATALOGUE, with_factors(DEFAULT_MODEL, factors), count, seed)


def errors_away(found: Calibration, factors: dict[str, float]) -> dict[str, float]:
    """How many standard errors each estimate lies from what the callers were drawn with."""
    return {
        one.name: (math.log(one.factor) - math.log(factors[one.name])) / one.log_sd
        for one in found.factors
        if one.name in factors
    }


def test_doubled_constants_are_seen_in_twenty_cases() -> None:
    found = calibrate(TABLE, cases(20, DOUBLED, 5), DEFAULT_MODEL, learn=Learn.CONSTANTS)

    assert (found.fitted, found.held_out) == (14, 6)
    assert all(abs(away) < 3 for away in errors_away(found, DOUBLED).values())
    by_name = {one.name: one for one in found.factors}
    assert by_name["scatter"].factor > 1.4
    # what nobody showed is left where it was, within the spread it was given beforehand
    assert abs(math.log(by_name["slips"].factor)) < 0.4
    assert all(0 < one.log_sd <= 0.4 for one in found.factors)


@pytest.mark.long
@pytest.mark.parametrize(("factors", "seed"), [(DOUBLED, 2), (HALVED, 3), ({}, 4)])
def test_constants_come_back_within_their_errors_and_answers_get_better(factors: dict[str, float], seed: int) -> None:
    drawn = cases(180, factors, seed)
    found = calibrate(TABLE, drawn, DEFAULT_MODEL, learn=Learn.CONSTANTS)
    truth = dict.fromkeys(HANDLED, 1.0) | factors

    away = errors_away(found, truth)
    assert all(abs(one) < 3 for one in away.values()), away
    # the sum of four squares of standard normals exceeds 18.5 once in a thousand (chi-squared, 4 degrees of freedom)
    assert sum(one**2 for one in away.values()) < 18.5
    gain = found.of_constants
    assert gain is not None
    assert found.score_after == found.score_refitted
    if factors:
        assert found.score_after < found.score_before
        assert gain.mean == pytest.approx(found.score_before - found.score_after)
    else:
        assert abs(gain.mean) < 3 * gain.sd + 0.01


def test_shares_alone_are_learned_beside_the_constants_in_use() -> None:
    in_use = with_factors(DEFAULT_MODEL, {"scatter": 1.2})
    one = cases(1, {}, 9)[0]
    drawn = (*cases(9, {}, 10), *(replace(case, truth=one.truth) for case in 15 * (one,)))

    found = calibrate(TABLE, drawn, DEFAULT_MODEL, before=in_use, learn=Learn.SHARES)

    assert (found.model, found.factors, found.of_constants) == (in_use, (), None)
    assert found.score_refitted == found.score_before
    assert found.demand == learn_demand(TABLE, [case.truth for case in drawn if case.truth])
    assert (found.demand.confirmed, found.shares[0].confirmed) == (24, 15)
    assert found.of_shares is not None
    assert found.of_shares.mean == pytest.approx(found.score_before - found.score_after)
    assert found.score_after < found.score_before
    again = calibrate(TABLE, drawn, DEFAULT_MODEL, before=in_use, demand=found.demand, learn=Learn.SHARES)
    assert all(one.before == one.after for one in again.shares)


def test_what_the_shares_are_worth_is_scored_on_cases_they_were_not_learned_from() -> None:
    asked = cases(1, {}, 9)[0]
    likeliest = [c.part_number for c in identify(TABLE, asked.submission, explain=False).candidates[:2]]
    of_held, of_others = (replace(asked, truth=number) for number in likeliest)
    drawn = [of_held if i % HELD_OUT == HELD_OUT - 1 else of_others for i in range(24)]
    found = calibrate(TABLE, drawn, DEFAULT_MODEL, learn=Learn.SHARES)

    # the cases held out have what none of the others has, and what fits their readings nearly as well
    assert found.score_after > found.score_before + 0.05


@pytest.mark.long
def test_constants_alone_are_refitted_beside_the_shares_in_use() -> None:
    drawn = cases(20, {}, 5)
    in_use = learn_demand(TABLE, 20 * [drawn[0].truth or ""])

    found = calibrate(TABLE, drawn, DEFAULT_MODEL, demand=in_use, learn=Learn.CONSTANTS)

    assert (found.demand, found.shares, found.of_shares) == (in_use, (), None)
    assert found.score_before != calibrate(TABLE, drawn, DEFAULT_MODEL, learn=Learn.SHARES).score_before


@pytest.mark.long
def test_the_same_cases_give_the_same_constants() -> None:
    drawn = cases(24, HALVED, 6)

    assert calibrate(TABLE, drawn, DEFAULT_MODEL) == calibrate(TABLE, drawn, DEFAULT_MODEL)


@pytest.mark.long
def test_one_wild_case_changes_next_to_nothing() -> None:
    drawn = cases(30, {}, 7)
    wild = drawn[0].submission
    repeats = wild.readings[1].values
    spoilt = replace(wild.readings[1], values=(replace(repeats[0], value=repeats[0].value + 5), *repeats[1:]))
    with_wild = (replace(drawn[0], submission=replace(wild, readings=(wild.readings[0], spoilt, *wild.readings[2:]))),)

    sound = calibrate(TABLE, drawn, DEFAULT_MODEL)
    found = calibrate(TABLE, with_wild + drawn[1:], DEFAULT_MODEL)

    for one, other in zip(sound.factors, found.factors, strict=True):
        assert abs(math.log(one.factor / other.factor)) < one.log_sd


def test_a_handful_of_cases_is_not_fitted() -> None:
    strangers = tuple(replace(case, truth=None) for case in cases(30, {}, 8))

    with pytest.raises(InvalidInput, match="0 confirmed cases"):
        calibrate(TABLE, strangers, DEFAULT_MODEL)


def test_the_bench_is_nobody_s_tool() -> None:
    scaled = with_factors(DEFAULT_MODEL, DOUBLED)

    assert scaled.tools[Instrument.BENCH] == DEFAULT_MODEL.tools[Instrument.BENCH]
    caliper, before = scaled.tools[Instrument.DIGITAL_CALIPER], DEFAULT_MODEL.tools[Instrument.DIGITAL_CALIPER]
    assert (caliper.zero_sd, caliper.scatter) == (2 * before.zero_sd, 2 * before.scatter)
    assert with_factors(DEFAULT_MODEL, {}) == DEFAULT_MODEL


@pytest.mark.parametrize("scatter", [0.004, 0.01, 0.03])
def test_repeats_fall_on_marks_as_often_as_reckoned(scatter: float) -> None:
    step, draws = 0.0254, 200_000
    rng = np.random.default_rng(11)
    marks = np.round((rng.random((draws, 1)) * step + rng.normal(0, scatter, (draws, 2))) / step)
    apart = np.abs(marks[:, 0] - marks[:, 1])

    for steps in range(3):
        seen = float((apart == steps).mean()) / (1 if steps == 0 else 2)
        error = math.sqrt(max(seen, 1e-4) / draws)
        reckoned = math.exp(log_chance_of_marks(np.array([0.0, steps * step]), scatter, step))
        assert reckoned == pytest.approx(seen, abs=4 * error + 2e-4)


def test_equal_repeats_on_a_coarse_scale_do_not_mean_a_hand_without_scatter() -> None:
    equal = np.zeros(3)

    assert log_chance_of_marks(equal, 1e-9, 0.0254) <= 0
    assert log_chance_of_marks(equal, 0.001, 0.0254) > math.log(0.9)
