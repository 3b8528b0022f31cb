"""What a customer was told, and whether a later answer to the same readings says otherwise.

An answer that does waits for a person, and until one has let it out the customer goes on seeing what they were told.
"""

from __future__ import annotations

from service.domain.identification import AnswerState, Identification
from service.domain.review import Outcome
from service.workflows.ports.stores import Case, KeyRecord, Transaction

WEIGHTY = 0.05
"""From this probability on a candidate is part of what an ambiguous answer says."""


def says_otherwise(before: Identification, after: Identification) -> bool:
    """Whether a person would hear another answer: another state, part, or choice of parts."""
    return _said(before) != _said(after)


def told_otherwise(case: Case, after: Identification) -> bool:
    """Whether a customer was told what the new answer contradicts: by a person whose decision holds, or else by the
    last answer they have seen, where that named a part or said that there is none."""
    told = (case.latest if case.told is None else case.told.round).identification
    named: str | None = None
    if case.decision is not None:
        if case.decision.verdict.outcome is Outcome.CANNOT_TELL:
            return False
        named = case.decision.verdict.part_number
        if named is not None and after.state is not AnswerState.IDENTIFIED:
            return after.state is AnswerState.NOT_IN_CATALOGUE or named not in _parts(after, len(after.candidates))
    elif told.state is AnswerState.IDENTIFIED:
        named = told.candidates[0].part_number
        if after.state is not AnswerState.IDENTIFIED:
            return True
    elif told.state is not AnswerState.NOT_IN_CATALOGUE:
        return False
    if named is None:
        return after.state is AnswerState.IDENTIFIED
    return named not in _parts(after, 1)


def let_out(transaction: Transaction, key: KeyRecord, by: str, case: Case) -> None:
    """Show the customer of a held case its last answer, now that a person has spoken for it."""
    if case.told is not None and transaction.submissions.let_out(case.id):
        of = {"round": case.latest.number, "instead_of": case.told.round.number}
        transaction.trail.add(key.id, by, "answer_let_out", case.id, **of)


def _said(answer: Identification) -> tuple[AnswerState, frozenset[str]]:
    if answer.state is AnswerState.IDENTIFIED:
        return answer.state, _parts(answer, 1)
    if answer.state is AnswerState.AMBIGUOUS:
        return answer.state, frozenset(c.part_number for c in answer.candidates if c.probability >= WEIGHTY)
    return answer.state, frozenset()


def _parts(answer: Identification, most: int) -> frozenset[str]:
    """The part numbers of the first few candidates, with those that are the same grind."""
    return frozenset(number for c in answer.candidates[:most] for number in (c.part_number, *c.same_as))
