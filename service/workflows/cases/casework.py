"""What staff do with a whole case: overrule, merge, reopen, close, hand to an order.

Each function works inside the caller's transaction, on a case that nobody else can change meanwhile.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from uuid import UUID

from service.domain.casework import CaseworkRules, ClosedWhy
from service.domain.errors import Conflict, Fault, InvalidInput
from service.domain.identification import AnswerState
from service.domain.outbox import Topic
from service.domain.readings import MOST_READINGS, Reading
from service.domain.review import Confidence, Decision, Outcome, ReviewReason, ReviewState, Verdict
from service.workflows.cases.queue import Hand, look_again_at_a_guess
from service.workflows.cases.verdicts import check_verdict
from service.workflows.identifying.at_hand import AtHand
from service.workflows.identifying.identify import Addition, add_to_submission, check_not_merged, hold_case, new_review
from service.workflows.identifying.told import let_out
from service.workflows.ports.cases import NewDecision, Note
from service.workflows.ports.stores import Case, Transaction
from service.workflows.sending.publish import publish


@dataclass(frozen=True)
class Merged:
    """A case that has taken in another, and how many of the other's readings were new to it."""

    case: Case
    readings: int


def hold_pair(transaction: Transaction, case_id: UUID, into_id: UUID) -> tuple[Case, Case]:
    """Two cases that nobody else can change until the transaction ends, with their shafts; raises `NotFound`.

    Always in one order, and the shafts first, as whoever measures one holds them: so nobody waits in a circle.
    """
    transaction.mail_ins.hold_of((case_id, into_id))
    held = {wanted: hold_case(transaction, wanted) for wanted in sorted((case_id, into_id))}
    return held[case_id], held[into_id]


def overrule(transaction: Transaction, hand: Hand, case: Case, verdict: Verdict, rules: CaseworkRules) -> Decision:
    """Put a person's word in the place of the answer while the caller waits; an open review is decided by it.

    Raises `NotClaimed` where somebody else has the case's review in hand, `InvalidInput` for a part that may not be
    named, `Conflict` for a merged case.
    """
    key, by = hand.key, hand.by
    check_not_merged(case)
    revision = check_verdict(transaction, verdict)
    review = transaction.reviews.open_of(case.id)
    if review is not None and not transaction.reviews.settle_unheld(review.id, key.id, by, ReviewState.DECIDED):
        raise hand.in_other_hands(review)
    decision = transaction.cases.decide(
        NewDecision(
            case.id,
            None if review is None else review.id,
            False,
            case.latest.number,
            verdict,
            revision,
            key_id=key.id,
            by=by,
        )
    )
    transaction.submissions.touch(case.id)
    let_out(transaction, key, by, case)
    transaction.trail.add(key.id, by, "case_overruled", case.id, outcome=verdict.outcome.value)
    look_again_at_a_guess(transaction, case, decision, rules)
    return decision


def note_on_case(transaction: Transaction, hand: Hand, case: Case, text: str) -> Note:
    """Write something down about a case; whatever this key has in hand of it is held on to."""
    key, by = hand.key, hand.by
    note = transaction.cases.note(case.id, text, key.id, by)
    transaction.reviews.extend_of(case.id, key.id)
    transaction.trail.add(key.id, by, "note_written", case.id)
    return note


def reopen(transaction: Transaction, hand: Hand, case: Case, reason: str, rules: CaseworkRules) -> None:
    """Put a case that was decided or closed before a person again.

    Raises `Conflict` where one has it already, or the case was merged.
    """
    key, by = hand.key, hand.by
    check_not_merged(case)
    if transaction.reviews.open_of(case.id) is not None:
        raise Conflict("This case is before a person already.")
    if (
        case.closed_at is None
        and case.decision is None
        and case.latest.identification.state is not (AnswerState.IDENTIFIED)
    ):
        raise Conflict("This case is open: nothing of it was decided.")
    transaction.cases.reopen(case.id)
    skill = case.latest.identification.leading_core
    transaction.reviews.open(new_review(case.id, case.submission, ReviewReason.REOPENED, rules, skill=skill))
    transaction.cases.note(case.id, f"Reopened: {reason}", key.id, by)
    transaction.trail.add(key.id, by, "case_reopened", case.id)


def close(transaction: Transaction, hand: Hand, case: Case, why: ClosedWhy, reason: str) -> None:
    """Close a case and take its reviews off the queue; raises `Conflict` where it is closed, or in hand elsewhere."""
    key, by = hand.key, hand.by
    _withdraw_reviews(transaction, hand, case)
    if not transaction.cases.close(case.id, why):
        raise Conflict("This case is closed already.")
    transaction.cases.note(case.id, f"Closed: {reason}", key.id, by)
    transaction.trail.add(key.id, by, "case_closed", case.id, why=why.value)


def hand_to_order(
    transaction: Transaction, hand: Hand, case: Case, part_number: str | None, order_reference: str | None
) -> str:
    """Close a case with an order for the part that was found, and tell the shop; returns the part's number.

    Without `part_number` it is the part that was decided, or else the one the readings name. Raises `Conflict` where
    there is none, or the case is closed, and `InvalidInput` for a part that may not be named.
    """
    key, by = hand.key, hand.by
    check_not_merged(case)
    part = part_number or named_part(case)
    if part is None:
        raise Conflict("No part has been found for this case; overrule its answer first, or name the part.")
    check_verdict(transaction, Verdict(Outcome.PART, part, Confidence.SURE, ""))
    _withdraw_reviews(transaction, hand, case)
    if not transaction.cases.close(case.id, ClosedWhy.ORDERED, order_reference=order_reference):
        raise Conflict("This case is closed already; reopen it first.")
    let_out(transaction, key, by, case)
    transaction.trail.add(key.id, by, "case_ordered", case.id, part_number=part)
    told = {"reference": case.reference, "part_number": part, "order_reference": order_reference}
    publish(transaction, Topic.CASE_ORDERED, case.key_id, case.id, told)
    return part


def named_part(case: Case) -> str | None:
    """The part a case has come to: what a person decided, or else what the readings name."""
    if case.decision is not None:
        return case.decision.verdict.part_number
    answer = case.latest.identification
    return answer.candidates[0].part_number if answer.state is AnswerState.IDENTIFIED else None


def merge(
    transaction: Transaction,
    at_hand: AtHand,
    hand: Hand,
    case: Case,
    into: Case,
    reason: str,
    rules: CaseworkRules,
) -> Merged:
    """Make one case part of another of the same shaft: readings that are new to it move over and it is answered again.

    Both as `hold_pair` holds them. A reading that both have, digit for digit, is one that was sent twice: it counts
    once. The posted shaft and the photos of the one go over to the other, and its contact where the other has none.
    Raises `InvalidInput` where they are one case, and `Conflict` where either was merged before, is in somebody else's
    hands, each has a shaft on its way, or the units differ.
    """
    key, by = hand.key, hand.by
    if case.id == into.id:
        raise InvalidInput(faults=(Fault("/into", "A case cannot be merged into itself."),))
    check_not_merged(case)
    check_not_merged(into)
    if case.submission.unit is not into.submission.unit:
        raise Conflict(
            f"One case is in {case.submission.unit.words} and the other in {into.submission.unit.words}: "
            "read the one's readings into the other by hand."
        )
    if transaction.mail_ins.open_of(case.id) is not None and transaction.mail_ins.open_of(into.id) is not None:
        raise Conflict("Each of these cases has a shaft that is on its way, or here: they are two shafts.")
    moved = _new_readings(case, into)
    if len(into.submission.readings) + len(moved) > MOST_READINGS:
        raise Conflict(f"Together they have more than the {MOST_READINGS} readings one case may hold.")
    _withdraw_reviews(transaction, hand, case)
    transaction.cases.reopen(case.id)
    transaction.cases.close(case.id, ClosedWhy.MERGED, merged_into=into.id)
    teeth = case.submission.gear_teeth if into.submission.gear_teeth is None else None
    markings = tuple(mark for mark in case.submission.markings if mark not in into.submission.markings)
    contact = case.submission.contact if into.submission.contact is None else None
    tables = transaction.lift_tables.move(case.id, into.id)
    transaction.mail_ins.move(case.id, into.id)
    transaction.photos.move(case.id, into.id)
    if moved or markings or teeth is not None or contact or tables:
        addition = Addition(
            readings=moved, gear_teeth=teeth, markings=markings, contact=contact, lift_tables=bool(tables)
        )
        add_to_submission(transaction, at_hand, key, into, addition, rules)
    transaction.cases.note(into.id, f"Took in case {case.reference}: {reason}", key.id, by)
    transaction.cases.note(case.id, f"Merged into case {into.reference}: {reason}", key.id, by)
    transaction.trail.add(key.id, by, "case_merged", case.id, into=str(into.id))
    transaction.trail.add(key.id, by, "case_took_in", into.id, case=str(case.id))
    return Merged(hold_case(transaction, into.id), len(moved))


def _new_readings(case: Case, into: Case) -> tuple[Reading, ...]:
    """The readings of one case that the other lacks, each with the tool it is taken to be from."""
    there = {
        replace(reading, instrument=into.submission.instrument_of(reading)) for reading in into.submission.readings
    }
    given = [
        replace(reading, instrument=case.submission.instrument_of(reading)) for reading in case.submission.readings
    ]
    return tuple(reading for reading in given if reading not in there)


def _withdraw_reviews(transaction: Transaction, hand: Hand, case: Case) -> None:
    for second_look in (False, True):
        review = transaction.reviews.open_of(case.id, second_look=second_look)
        if review is None:
            continue
        if not transaction.reviews.settle_unheld(review.id, hand.key.id, hand.by, ReviewState.WITHDRAWN):
            raise hand.in_other_hands(review)
