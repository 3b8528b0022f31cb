"""Readings in, answer out; more readings, a better answer; and a review where the readings cannot carry one.

Each function works inside the caller's transaction: submission, round, answer and review come to be together. The
answer is worked out before, with no transaction open (`at_hand.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from uuid import UUID

from service.domain.access import STAFF
from service.domain.casework import PRIORITY_OF, CaseworkRules, ClosedWhy
from service.domain.errors import Conflict, Fault, InvalidInput, NotFound
from service.domain.identification import Advice, AnswerState, Identification
from service.domain.readings import (
    MOST_READINGS,
    Condition,
    Contact,
    Experience,
    Instrument,
    Marking,
    Reading,
    Submission,
)
from service.domain.review import SECOND_LOOKS, Priority, ReviewReason
from service.domain.units import LengthUnit
from service.workflows.identifying.answering import Answered
from service.workflows.identifying.at_hand import AtHand
from service.workflows.identifying.bench_record import OF_THE_BENCH
from service.workflows.identifying.told import told_otherwise
from service.workflows.identifying.weighed_tables import weighed
from service.workflows.ports.reviews import NewReview
from service.workflows.ports.stores import Case, KeyRecord, Transaction


@dataclass(frozen=True)
class Addition:
    """What a caller has to add to a submission. `lift_tables`: tables of it were kept, or count no longer.

    What a submission has once, such as whom to answer, is put in the place of what was said before; None leaves it.
    `advice` is what the answer, and every later one, has to say of how it was measured; `unsaid` what it has not to say
    any more.
    """

    readings: tuple[Reading, ...] = ()
    unit: LengthUnit | None = None
    gear_teeth: int | None = None
    markings: tuple[Marking, ...] = ()
    ask_person: bool = False
    experience: Experience | None = None
    condition: Condition | None = None
    engine_family: str | None = None
    tools: tuple[Instrument, ...] | None = None
    contact: Contact | None = None
    note: str | None = None
    lift_tables: bool = False
    advice: tuple[Advice, ...] = ()
    unsaid: tuple[Advice, ...] = ()

    @property
    def measures(self) -> bool:
        """Whether anything is in it that an answer rests on."""
        said = (self.gear_teeth, self.experience, self.condition, self.engine_family)
        return bool(self.readings) or self.lift_tables or any(each is not None for each in said)

    def joined_to(self, before: Submission) -> Submission:
        """The submission with this added."""
        once = {name: said for name in _SAID_ONCE if (said := getattr(self, name)) is not None}
        return replace(
            before,
            readings=before.readings + self.readings,
            markings=before.markings + self.markings,
            ask_person=before.ask_person or self.ask_person,
            **once,
        )


_SAID_ONCE = ("gear_teeth", "experience", "condition", "engine_family", "tools", "contact", "note")


def open_submission(
    transaction: Transaction,
    at_hand: AtHand,
    key: KeyRecord,
    submission: Submission,
    rules: CaseworkRules,
    advice: tuple[Advice, ...] = (),
) -> Case:
    """Identify what was sent and keep it, with a review if a person is needed, or should look at it all the same.

    It writes one statement. `advice` is said with the answer of how it was measured.
    """
    answered = _saying(at_hand.answer(submission), advice)
    found = answered.identification

    def review_for(submission_id: UUID) -> NewReview | None:
        return _review_needed(submission_id, submission, found, rules)

    case = transaction.submissions.open(key.id, submission, found, answered.catalogue_revision, review_for)
    return as_seen_by(key, case)


def read_submission(transaction: Transaction, key: KeyRecord, submission_id: UUID) -> Case:
    """A submission as this key may see it; raises `NotFound` for one that is not this key's to see.

    That somebody here saw what a customer said in private is noted.
    """
    case = _theirs(transaction.submissions.find(submission_id), key)
    if key.role not in STAFF:
        return as_seen_by(key, gone_on(transaction, case))
    said = case.submission
    if said.contact is not None or said.note is not None or said.markings:
        transaction.trail.add(key.id, key.name, "case_read", case.id)
    return case


def gone_on(transaction: Transaction, case: Case) -> Case:
    """What a customer sees of a case that was merged: the one it became part of, under its own id and reference."""
    return as_own(case, _where_it_went(transaction, case))


def as_own(case: Case, end: Case) -> Case:
    """The case that another became part of, as that one's customer knows it.

    The revisions of both count: no state of it has one that the merged case had before.
    """
    if end.id == case.id:
        return end
    revision = case.row_revision + end.row_revision
    return replace(end, id=case.id, key_id=case.key_id, reference=case.reference, row_revision=revision)


def hold_case(transaction: Transaction, case_id: UUID) -> Case:
    """A case that nobody else can change until the transaction ends; raises `NotFound`."""
    case = transaction.submissions.find(case_id, for_update=True)
    if case is None:
        raise NotFound
    return case


def check_not_merged(case: Case, instead: str = "go on with that one") -> None:
    """Raise `Conflict`, which says what to do `instead`, where a case has become part of another."""
    if case.closed_why is ClosedWhy.MERGED:
        raise Conflict(f"This case was merged into another; {instead}.")


def hold_submission(transaction: Transaction, key: KeyRecord, submission_id: UUID) -> Case:
    """The whole of a submission, which nobody else can change until the transaction ends.

    Raises `NotFound` for one that is not this key's to see.
    """
    return _theirs(hold_case(transaction, submission_id), key)


def hold_to_add_to(transaction: Transaction, key: KeyRecord, submission_id: UUID) -> tuple[Case, Case]:
    """A submission, and held the case that what is sent for it belongs to: where it was merged, the one it is part of.

    Raises `NotFound` for one that is not this key's to see, and `Conflict` where staff, who can go on with the other,
    send to one that was merged.
    """
    case = _theirs(transaction.submissions.find(submission_id), key)
    while True:
        if key.role in STAFF:
            check_not_merged(case)
        end = _where_it_went(transaction, case)
        held = hold_case(transaction, end.id)
        if held.id == case.id:
            case = held
        if held.merged_into is None:
            return case, held


def add_to_submission(
    transaction: Transaction,
    at_hand: AtHand,
    key: KeyRecord,
    case: Case,
    addition: Addition,
    rules: CaseworkRules,
) -> Case:
    """Identify again with what was added to a held case. A case that was closed opens again.

    Where nothing measured was added, the catalogue alone can have made the answer another; if the customer was told
    otherwise, they see the new one only once a person has decided.

    Raises `InvalidInput` where the addition is in another unit, the readings become too many, or a widget's customer
    would be answered elsewhere than they asked to be; `Conflict` where the case has become part of another.
    """
    before = case.submission
    check_not_merged(case, "add the readings there")
    if addition.unit not in (None, before.unit):
        detail = f"This submission is in {before.unit.words}; give what is added in {before.unit.words} too."
        raise InvalidInput(faults=(Fault("/unit", detail),))
    if len(before.readings) + len(addition.readings) > MOST_READINGS:
        detail = f"A submission holds at most {MOST_READINGS} readings; this one has {len(before.readings)} already."
        raise InvalidInput(faults=(Fault("/readings", detail),))
    if addition.contact is not None and addition.contact != before.contact:
        if before.contact is not None and key.role not in STAFF:
            raise InvalidInput(faults=(Fault("/contact", "Whom to answer was said already; the desk can change it."),))
        transaction.trail.add(key.id, key.name, "contact_written", case.id)
    after = addition.joined_to(before)
    sheets = weighed(transaction.lift_tables.of_submission(case.id))
    at_hand.no_older_than(case.latest.catalogue_revision)
    said_before = [each for each in case.latest.identification.advice if each.code in OF_THE_BENCH]
    kept = [each for each in said_before if each not in addition.unsaid]
    said = tuple(dict.fromkeys([*kept, *addition.advice]))
    answered = _saying(at_hand.answer(after, sheets), said)
    withheld = not addition.measures and told_otherwise(case, answered.identification)
    transaction.submissions.add_round(
        case, addition.readings, after, answered.identification, answered.catalogue_revision, withheld=withheld
    )
    if case.closed_at is not None:
        transaction.cases.reopen(case.id)
    transaction.reviews.case_changed(case.id)
    transaction.reviews.extend_of(case.id, key.id)
    if withheld and not after.ask_person:
        skill = answered.identification.leading_core
        transaction.reviews.open(new_review(case.id, after, ReviewReason.ANSWER_CHANGED, rules, skill=skill))
    else:
        needed = _review_needed(case.id, after, answered.identification, rules)
        if needed is not None:
            transaction.reviews.open(needed)
    return as_seen_by(key, _found(transaction, case.id))


def _saying(answered: Answered, advice: tuple[Advice, ...]) -> Answered:
    """An answer with more advice after its own."""
    found = answered.identification
    return replace(answered, identification=replace(found, advice=(*found.advice, *advice))) if advice else answered


def as_told(case: Case) -> Case:
    """A case as its customer was told of it: without a later answer that waits for a person."""
    if case.told is None:
        return case
    return replace(case, latest=case.told.round, review=case.told.review, told=None)


def as_seen_by(key: KeyRecord, case: Case) -> Case:
    """What this key may see of a case: staff all of it, a widget's customer what they were told, no evidence and
    nothing told in private."""
    if key.role in STAFF:
        return case
    case = as_told(case)
    answer = case.latest.identification
    bare = replace(
        answer,
        candidates=tuple(replace(candidate, evidence=()) for candidate in answer.candidates),
        advice=tuple(each for each in answer.advice if each.code not in OF_THE_BENCH),
    )
    return replace(
        case,
        submission=replace(case.submission, markings=(), contact=None, note=None),
        latest=replace(case.latest, identification=bare),
    )


def review_reason(submission: Submission, identification: Identification) -> ReviewReason | None:
    """Why a person is needed, if one is: asked for, or no answer and no cheap reading left to ask for."""
    if submission.ask_person:
        return ReviewReason.PERSON_ASKED_FOR
    if identification.ask_cheaply:
        return None
    return {
        AnswerState.AMBIGUOUS: ReviewReason.AMBIGUOUS,
        AnswerState.NOT_IN_CATALOGUE: ReviewReason.NOT_IN_CATALOGUE,
    }.get(identification.state)


def _review_needed(
    submission_id: UUID, submission: Submission, identification: Identification, rules: CaseworkRules
) -> NewReview | None:
    reason = review_reason(submission, identification)
    if reason is None and identification.state is AnswerState.IDENTIFIED and rules.takes_second_look(submission_id):
        reason = ReviewReason.AUTOMATIC_SAMPLE
    if reason is None:
        return None
    return new_review(submission_id, submission, reason, rules, skill=identification.leading_core)


def new_review(
    submission_id: UUID,
    submission: Submission,
    reason: ReviewReason,
    rules: CaseworkRules,
    *,
    skill: str | None,
    not_for: str | None = None,
) -> NewReview:
    """The review to open for a reason: how soon it is owed, and how urgent it is."""
    second_look = reason in SECOND_LOOKS
    return NewReview(
        submission_id,
        reason,
        priority=Priority.LOW if second_look else PRIORITY_OF[submission.source],
        due_in=rules.due_in(submission.source, second_look=second_look),
        second_look=second_look,
        skill=skill,
        not_for=not_for,
    )


def _where_it_went(transaction: Transaction, case: Case) -> Case:
    while case.merged_into is not None:
        further = transaction.submissions.find(case.merged_into)
        if further is None:
            break
        case = further
    return case


def _theirs(case: Case | None, key: KeyRecord) -> Case:
    if case is None or (key.role not in STAFF and case.key_id != key.id):
        raise NotFound
    return case


def _found(transaction: Transaction, submission_id: UUID) -> Case:
    case = transaction.submissions.find(submission_id)
    if case is None:
        raise RuntimeError("a submission just written is gone")
    return case
