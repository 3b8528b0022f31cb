"""The answer in plain text: what it says in each state, and that it stays inside its width."""

import dataclasses

import pytest

from service.documents.answer_text import WIDTH, render_answer
from service.domain.cautions import CAUTIONS
from service.domain.identification import Advice, AnswerState, NextReading, Slip, SuspectedSlip
from service.domain.units import LengthUnit
from tests.submissions import CALIPER, base, event, height, journal, submission
from tests.unit.documents.answers import candidate, identification, made_up_evidence, typical


def section(text, heading):
    """The lines under a heading, joined to one."""
    (found,) = [part for part in text.split("\n\n") if part.startswith(heading)]
    return " ".join(found.split())


def test_it_says_what_it_is_and_how_sure():
    sent, found = typical()
    text = render_answer(sent, found, 3, {"WREN 7-31": "Trials grind"})
    assert text.splitlines()[0] == "IDENTIFIED: WREN 7-31, Trials grind"
    assert "How sure: 98.1 %. Core RW." in text
    assert "The same grind is also numbered WREN 7-13." in text
    assert "1.2 %    WREN 7-30" in section(text, "What else it could be").replace("% WREN", "%    WREN")


def test_the_evidence_adds_up_to_its_total():
    sent, found = typical()
    lines = render_answer(sent, found, 3).splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith("Why WREN 7-31, against WREN 7-30"))
    table = lines[start + 2 : next(i for i, line in enumerate(lines) if line.startswith("  together"))]
    total = lines[start + 2 + len(table)]
    assert len(table) == len(found.candidates[0].evidence)
    assert sum(float(line.split()[-1]) for line in table) == pytest.approx(float(total.split()[-1]), abs=0.05)
    (row,) = [line for line in table if "intake lobe height" in line]
    assert row.split()[-4:] == ["1.1725", "1.1740", "-0.0015", "+1.5"]


def test_the_prior_stands_last_and_has_words():
    sent, found = typical()
    why = section(render_answer(sent, found, 3), "Why")
    assert "what was known before any reading -2.3 together" in why


def test_the_likeliest_other_answer_is_named_even_if_it_is_no_part():
    sent = submission(journal("0.7500"))
    rows = made_up_evidence(sent, {0: 0.75})
    found = identification(sent, candidate("A", 0.9, rows), candidate("B", 0.01, rows))
    assert "Why A, against none of the catalogue's parts" in render_answer(sent, found, 1)


def test_the_lift_is_given_plain_and_corrected_with_its_uncertainty():
    sent, found = typical()
    lift = found.derived[0]
    said = section(render_answer(sent, found, 3), "Worked out from the readings")
    assert "Intake lobe lift: 0.3120 in as read." in said
    for figure in (lift.corrected, lift.standard_uncertainty, *lift.interval):
        assert sent.unit.show(figure) in said


def test_a_lift_that_cannot_be_is_not_given_and_it_is_said_why():
    sent, found = typical()
    lift = dataclasses.replace(found.derived[0], value=-8.8, corrected=-8.8, interval=(-8.9, -8.7))
    said = section(render_answer(sent, dataclasses.replace(found, derived=(lift,)), 3), "Worked out from the readings")
    assert "none, since the height is no larger than the base circle." in said
    assert "-" not in said


def test_angles_worked_out_say_whose_degrees_they_are():
    events = {"intake_opens": "20", "intake_closes": "60", "exhaust_opens": "60", "exhaust_closes": "20"}
    sent = submission(*(event(name, value) for name, value in events.items()))
    said = section(render_answer(sent, identification(sent), 1), "Worked out from the readings")
    assert "Lobe separation: 110.0 cam degrees" in said
    assert "Overlap: 40.0 crank degrees" in said


def test_a_slip_a_question_and_advice_are_passed_on():
    sent, found = typical()
    found = dataclasses.replace(
        found,
        suspected_slips=(SuspectedSlip(Slip.HEIGHT_BASE_SWAPPED, "/readings/1", 0.97, "They look swapped."),),
        next_reading=NextReading("base_circle", CALIPER, 1.4, "Measure the exhaust lobe across the round part."),
        advice=(Advice("no_journal", "No journal was measured."),),
    )
    text = render_answer(sent, found, 3)
    assert section(text, "Please check") == "Please check: this may be a slip They look swapped. Probability 97.0 %."
    assert "as written, the slip in them included" in section(text, "Worked out")
    assert "Measure the exhaust lobe across the round part. It is expected to tell 1.4 bits." in section(
        text, "Ask next"
    )
    assert "No journal was measured." in section(text, "Good to know")


def test_what_is_not_there_has_no_heading():
    sent = submission(journal("0.7500"))
    text = render_answer(sent, identification(sent), 1)
    for heading in ("Why", "Worked out", "Please check", "Ask next", "Good to know"):
        assert heading not in text


@pytest.mark.parametrize("state", list(AnswerState))
def test_every_state_carries_every_caution_and_what_it_rested_on(state):
    sent, found = typical()
    text = render_answer(sent, dataclasses.replace(found, state=state), 12)
    together = " ".join(text.split())
    for caution in CAUTIONS:
        assert caution in together
    assert text.endswith("Catalogue revision 12, engine 1.0.\n")


def test_an_ambiguous_answer_lists_the_set_and_names_no_one():
    sent, found = typical()
    found = dataclasses.replace(
        found, state=AnswerState.AMBIGUOUS, credible_set=tuple(c.part_number for c in found.candidates)
    )
    text = render_answer(sent, found, 3)
    assert text.startswith("ONE OF SEVERAL\n")
    assert "The first 2 hold 99.3 % between them." in " ".join(text.split())
    assert "98.1 % WREN 7-31 (also WREN 7-13) 1.2 % WREN 7-30" in section(text, "What it could be")


def test_not_in_the_catalogue_is_said_with_its_probability():
    sent = submission(journal("0.7500"))
    text = render_answer(sent, identification(sent, candidate("A", 0.02), state=AnswerState.NOT_IN_CATALOGUE), 3)
    assert text.startswith("NOT IN THE CATALOGUE\nNo part of the catalogue fits these readings. How sure: 98.0 %.")


def test_parts_not_listed_are_counted_together():
    sent = submission(journal("0.7500"))
    found = identification(sent, *(candidate(f"P{n}", 0.1) for n in range(9)), state=AnswerState.AMBIGUOUS)
    said = section(render_answer(sent, found, 1), "What it could be")
    assert "30.0 % all other parts together" in said
    assert "P6" not in said


def test_a_regrind_is_mentioned():
    sent = submission(journal("0.7500"))
    found = identification(sent, candidate("A", 0.99, reground_probability=0.9))
    assert "It looks reground (90.0 %)." in render_answer(sent, found, 1)


def test_certainty_is_never_claimed():
    sent = submission(journal("0.7500"))
    text = render_answer(sent, identification(sent, candidate("A", 1.0)), 1)
    assert "100.0 %" not in text
    assert "over 99.9 %" in text
    assert "under 0.1 %    none" in text


def test_no_line_is_too_wide():
    sent = submission(
        journal("0.7500"),
        *(make(*["1.1725"] * 9, cylinder=12) for make in (height, base)),
        unit=LengthUnit.INCH,
        engine_family="a name that goes on and on " * 5,
    )
    rows = made_up_evidence(sent, dict.fromkeys(range(3), 1.0))
    found = identification(
        sent,
        candidate("A" * 60, 0.9, rows, same_as=tuple(f"NUMBER-{n}" for n in range(30))),
        advice=(Advice("x", "word " * 60),),
    )
    text = render_answer(sent, found, 3, {"A" * 60: "T " * 80})
    assert max(len(line) for line in text.splitlines()) <= WIDTH


def test_nothing_sent_can_steer_the_terminal():
    sent = submission(journal("0.7500"), engine_family="\x1b[2J\x07\nfamily\u202e")
    rows = made_up_evidence(sent, {0: 0.75})
    found = identification(
        sent,
        candidate("A\x1b]0;B\n", 0.9, rows),
        advice=(Advice("x", "for \x1b[31m\u202ered"),),
        engine_version="1\x1b",
    )
    text = render_answer(sent, found, 1, {"A\x1b]0;B\n": "\x9bC"})
    assert all(ch.isprintable() or ch == "\n" for ch in text)
    assert "\u202e" not in text
