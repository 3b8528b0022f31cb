"""The report on how far the desk can be trusted, from the cases whose truth came out."""

from __future__ import annotations

from service.domain.identification import AnswerState
from service.domain.review import Outcome
from service.domain.truth_record import (
    NOBODYS,
    ConfirmedAnswer,
    Judged,
    ReviewerDecision,
    TruthReport,
    TwoLooks,
    truth_report,
)
from service.workflows.ports.record import ConfirmedCase, DecidedCase, LookedAtTwice
from service.workflows.ports.stores import Transaction


def report_on_truth(transaction: Transaction) -> TruthReport:
    """The report as of now."""
    cases = {case.submission_id: case for case in transaction.record.confirmed_answers()}
    decisions = [
        _decision_of(decided, cases[decided.submission_id]) for decided in transaction.record.decisions_of_confirmed()
    ]
    looks = [_looks_of(look) for look in transaction.record.second_looks()]
    return truth_report([_answer_of(case) for case in cases.values()], decisions, looks)


def _same_grind(case: ConfirmedCase, said: str, truth: str) -> bool:
    """Whether two numbers are one grind, as the case's own answer has it."""
    return said == truth or any({said, truth} <= {one.part_number, *one.same_as} for one in case.candidates)


def _judged(case: ConfirmedCase, said: str | None) -> Judged:
    named, truth = said or NOBODYS, case.truth or NOBODYS
    return Judged(named, truth, _same_grind(case, named, truth))


def _answer_of(case: ConfirmedCase) -> ConfirmedAnswer:
    leading = case.candidates[0] if case.candidates else None
    named = None
    if case.state is AnswerState.IDENTIFIED and leading is not None:
        named = _judged(case, leading.part_number)
    elif case.state is AnswerState.NOT_IN_CATALOGUE:
        named = _judged(case, None)
    if leading is None:
        return ConfirmedAnswer(named, 0.0, leading_right=False)
    return ConfirmedAnswer(named, leading.probability, _judged(case, leading.part_number).right)


def _decision_of(decided: DecidedCase, case: ConfirmedCase) -> ReviewerDecision:
    told = decided.outcome is not Outcome.CANNOT_TELL
    return ReviewerDecision(decided.by, decided.confidence, _judged(case, decided.part_number) if told else None)


def _looks_of(look: LookedAtTwice) -> TwoLooks:
    second = _said(look.outcome, look.part_number)
    if look.first_outcome is not None:
        return TwoLooks(look.first_by, _said(look.first_outcome, look.first_part), second)
    first = look.answered_part if look.answered_state is AnswerState.IDENTIFIED else NOBODYS
    # Another number of the same grind is the same answer.
    agrees = second is not None and second in look.answered_same_as
    return TwoLooks(None, first, first if agrees else second)


def _said(outcome: Outcome, part_number: str | None) -> str | None:
    return None if outcome is Outcome.CANNOT_TELL else part_number or NOBODYS
