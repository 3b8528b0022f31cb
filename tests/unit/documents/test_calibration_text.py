"""What `lobedesk calibrate` says of what was learned."""

from __future__ import annotations

from dataclasses import replace

from service.documents.calibration_text import calibration_text
from service.identification.learning.calibration import Calibration, Gain, Refit, with_factors
from service.identification.learning.demand import NOTHING_LEARNED, Confirmed, Demand, PartShare
from service.identification.measuring.model import DEFAULT_MODEL

LEARNED = Demand((("AB-1", 12), ("AB-2", 0)), 0.0, 0.405)
BOTH = Calibration(
    factors=(Refit("scatter", 1.5, 0.1),),
    model=with_factors(DEFAULT_MODEL, {"scatter": 1.5}),
    demand=LEARNED,
    shares=(PartShare("AB-1", 12, 0.0123, 0.0345), PartShare("AB-2", 0, 0.02, 0.02)),
    fitted=40,
    held_out=20,
    score_before=0.9,
    score_refitted=0.91,
    score_after=0.85,
    of_constants=Gain(-0.01, 0.02),
    of_shares=Gain(0.06, 0.01),
)


EVENLY = Confirmed(300, 60, 0.0)


def said(found: Calibration, confirmed: Confirmed = EVENLY) -> list[str]:
    """The lines, each with its words one blank apart."""
    text = calibration_text(found, "1.5", DEFAULT_MODEL, 0, confirmed)
    return [" ".join(line.split()) for line in text.splitlines()]


def test_shares_are_shown_old_and_new_with_their_confirmed_callers() -> None:
    lines = said(BOTH)

    assert "12 confirmed callers had a part of this catalogue" in lines
    assert any("1.00 from core to core, 1.50 from part to part" in line for line in lines)
    assert "AB-1 1.23 3.45 12" in lines
    assert not any(line.startswith("AB-2") for line in lines)


def test_each_change_is_scored_by_itself_and_what_is_not_clearly_better_is_said_to_be() -> None:
    lines = said(BOTH)

    assert "in use 0.9000" in lines
    assert "with the refitted constants 0.9100 worse by 0.0100, standard error 0.0200" in lines
    assert "and the shares of those fitted 0.8500 better by 0.0600, standard error 0.0100" in lines
    assert "the constants are not clearly better: there is no reason to change those in use" in lines
    assert "with --only shares the shares alone are learned" in lines


def test_what_was_not_to_be_learned_is_not_spoken_of() -> None:
    shares = said(replace(BOTH, factors=(), of_constants=None, score_refitted=0.9))
    constants = said(replace(BOTH, shares=(), of_shares=None, demand=NOTHING_LEARNED))

    assert not any("scatter" in line for line in shares)
    assert "with the shares of those fitted 0.8500 better by 0.0600, standard error 0.0100" in shares
    assert not any("shares" in line for line in constants)


def test_shares_that_stay_are_said_to_stay() -> None:
    lines = said(replace(BOTH, demand=replace(LEARNED, part_spread=0.0), of_shares=Gain(0.0, 0.0)))

    assert any("does not differ from the catalogue's own shares" in line for line in lines)
    assert not any(line.startswith("the shares are not clearly better") for line in lines)
    assert "and the shares of those fitted 0.8500 the same" in lines


def test_how_evenly_cases_get_confirmed_is_said_beside_the_shares() -> None:
    evenly, unevenly, unknown = (said(BOTH, one) for one in (EVENLY, Confirmed(300, 60, 0.405), Confirmed(0, 0, 0.0)))

    assert "of 300 cases answered with one part 60 are confirmed" in evenly
    assert "how often does not differ from part to part beyond chance" in evenly
    assert "how often differs from part to part by a factor of 1.50, one standard deviation:" in unevenly
    assert any("the score does not show it" in line for line in unevenly)
    assert any("is not known" in line for line in unknown)
