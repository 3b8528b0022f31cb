"""Asking open and recent cases again when the catalogue has changed: in the background, a case a transaction.

An answer that says something else is kept beside the old ones, as a round without new readings, and listed. Nothing of
it goes out: where a customer was told otherwise, a person looks at the case first, and until they have decided the
customer goes on seeing what they were told (`told.py`).
"""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum, auto
from uuid import UUID

from service.domain.access import THE_SERVICE
from service.domain.casework import CaseworkRules, ClosedWhy
from service.domain.errors import NotFound
from service.domain.identification import Identification
from service.domain.readings import Source
from service.domain.review import Priority, ReviewReason
from service.workflows.catalogue.read_catalogue import GREATEST_NUMBER, active_revision
from service.workflows.identifying.answering import Answering
from service.workflows.identifying.at_hand import AtHand, with_answers
from service.workflows.identifying.identify import new_review, review_reason
from service.workflows.identifying.told import says_otherwise, told_otherwise
from service.workflows.identifying.weighed_tables import weighed
from service.workflows.ports.reidentification import ChangedAnswer, Progress
from service.workflows.ports.reviews import NewReview
from service.workflows.ports.stores import Case, Stores, Transaction

SETTLE_S = 10.0
"""For so long after a revision became active some process may still answer under the one before."""


def reidentify(
    stores: Stores,
    answering: Answering,
    rules: CaseworkRules,
    goes_on: Callable[[], bool] = lambda: True,
    settle_s: float = SETTLE_S,
) -> int:
    """Do the run there is, while `goes_on`; returns how many cases were dealt with.

    A case, its new answer, its review and how far the run has come are one transaction: whoever takes over from a
    worker that died goes on with the next case, and none is done twice.
    """
    done = 0
    while goes_on():
        with stores.transaction() as transaction:
            if transaction.reidentifications.unfinished() is None:
                return done
        step = with_answers(stores, answering, lambda at_hand: _step(stores, at_hand, rules, settle_s), AtHand.look)
        if step is _Step.NOTHING_TO_DO:
            return done
        done += step is _Step.CASE_DONE
    return done


class _Step(Enum):
    CASE_DONE = auto()
    RUN_FINISHED = auto()
    NOTHING_TO_DO = auto()


def _step(stores: Stores, at_hand: AtHand, rules: CaseworkRules, settle_s: float) -> _Step:
    with stores.transaction() as transaction:
        revision = transaction.reidentifications.take(rules.reidentify_days)
        if revision is None:
            return _Step.NOTHING_TO_DO
        case_id = transaction.reidentifications.next_case(revision)
        late = case_id is None
        if late:
            case_id = transaction.reidentifications.next_late(revision)
        if case_id is None:
            finished = transaction.reidentifications.finish(revision, settle_s)
            return _Step.RUN_FINISHED if finished else _Step.NOTHING_TO_DO
        at_hand.no_older_than(revision)
        _ask_again(transaction, at_hand, rules, revision, case_id, late=late)
        transaction.reidentifications.reach(revision, case_id)
    return _Step.CASE_DONE


def progress_of(stores: Stores, revision: int | None) -> Progress:
    """How far the asking under a revision, the active one by itself, has come; raises `NotFound`."""
    with stores.transaction() as transaction:
        return _progress(transaction, active_revision(transaction) if revision is None else revision)


def list_changes(
    stores: Stores, revision: int, after: UUID | None, limit: int
) -> tuple[tuple[ChangedAnswer, ...], UUID | None]:
    """Answers that became others under a revision, and the case to go on after, if there are more."""
    with stores.transaction() as transaction:
        _progress(transaction, revision)
        found = transaction.reidentifications.changes(revision, after, limit + 1)
    return found[:limit], found[limit - 1].submission_id if len(found) > limit else None


def _progress(transaction: Transaction, revision: int) -> Progress:
    progress = transaction.reidentifications.progress(revision) if 0 < revision <= GREATEST_NUMBER else None
    if progress is None:
        raise NotFound("No case has been asked again under a revision of that number.")
    return progress


def _ask_again(
    transaction: Transaction, at_hand: AtHand, rules: CaseworkRules, revision: int, case_id: UUID, *, late: bool
) -> None:
    """`late`: a process that had not turned yet has answered since; its answer is not left to stand as the last."""
    case = transaction.submissions.find(case_id, for_update=True)
    if case is None or case.closed_why is ClosedWhy.MERGED or case.latest.catalogue_revision >= revision:
        return
    sheets = weighed(transaction.lift_tables.of_submission(case.id))
    answered = at_hand.answer(case.submission, sheets)
    after = answered.identification
    if not says_otherwise(case.latest.identification, after):
        if late:
            transaction.submissions.answer_again(
                case, after, answered.catalogue_revision, withheld=case.told is not None
            )
        return
    otherwise = told_otherwise(case, after)
    number = transaction.submissions.answer_again(case, after, answered.catalogue_revision, withheld=otherwise)
    transaction.reviews.case_changed(case.id)
    new = _review_for(case, after, rules, otherwise=otherwise)
    review_id = None if new is None else transaction.reviews.open(new).id
    if review_id is not None and case.closed_at is not None:
        transaction.cases.reopen(case.id)
    transaction.reidentifications.keep_change(
        revision, case.id, case.latest.number, number, told_otherwise=otherwise, review_id=review_id
    )
    of = {"catalogue_revision": answered.catalogue_revision, "told_otherwise": otherwise}
    transaction.trail.add(None, THE_SERVICE, "answer_changed", case.id, **of)


def _review_for(case: Case, after: Identification, rules: CaseworkRules, *, otherwise: bool) -> NewReview | None:
    """The review a changed answer needs: told otherwise, or open, undecided and in need of a person by itself.

    Nobody holds the line any more, so it is as urgent as a web case.
    """
    reason: ReviewReason | None = None
    if otherwise:
        reason = ReviewReason.ANSWER_CHANGED
    elif case.closed_at is None and case.decision is None:
        reason = review_reason(case.submission, after)
    if reason is None:
        return None
    due_in = rules.due_in(Source.WEB, second_look=False)
    new = new_review(case.id, case.submission, reason, rules, skill=after.leading_core)
    return NewReview(new.submission_id, new.reason, Priority.NORMAL, due_in, skill=new.skill)
