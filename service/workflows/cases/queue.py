"""The human queue: taking a review, giving it back, deciding it.

Each function works inside the caller's transaction. Where a case and its review are both changed the case is held
first, so that no two of these wait for each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from service.domain.access import THE_SERVICE, Role
from service.domain.casework import CaseworkRules
from service.domain.errors import Conflict, NotFound, StaleRevision
from service.domain.review import (
    AlreadySettled,
    ClaimLapsed,
    Confidence,
    Decision,
    NotClaimed,
    Outcome,
    ReviewReason,
    ReviewState,
    Verdict,
)
from service.workflows.cases.verdicts import check_verdict
from service.workflows.housekeeping import until_none_is_left
from service.workflows.identifying.identify import hold_case, new_review
from service.workflows.identifying.told import let_out
from service.workflows.keys import name_on
from service.workflows.ports.cases import NewDecision, Note
from service.workflows.ports.reviews import ClaimWish, QueueCount, Review, ReviewChange
from service.workflows.ports.stores import Case, KeyRecord, Stores, Transaction

AGE_BOUNDS_S = (3600.0, 4 * 3600.0, 24 * 3600.0, 72 * 3600.0)
"""What parts the age bands in which waiting reviews are counted: an hour, four, a day, three."""


@dataclass(frozen=True)
class ReviewPage:
    """Some reviews, first opened first; `last` is where the next page begins, None at the end."""

    reviews: tuple[Review, ...]
    last: UUID | None


@dataclass(frozen=True)
class Wish:
    """What somebody asks the queue for; `person` as a `Hand` has it."""

    person: str | None = None
    skills: tuple[str, ...] | None = None
    review_id: UUID | None = None
    lease_s: int | None = None


@dataclass(frozen=True)
class Hand:
    """Who works: a key, and who sits at it where several share it."""

    key: KeyRecord
    person: str | None = None

    @property
    def by(self) -> str:
        """Whose name goes on what is done. Raises `InvalidInput` where a shared key does not say."""
        return name_on(self.key, self.person)

    def in_other_hands(self, review: Review) -> NotClaimed:
        """What to say where somebody else has a review, be it a colleague at the same key."""
        claim = review.claim
        if claim is None:
            return NotClaimed("This review is in the hands of somebody else; nothing of this request was kept.")
        unsaid = " Say as `person` who you are." if claim.key_id == self.key.id and self.person is None else ""
        return NotClaimed(f"This review is in the hands of {claim.by}; nothing of this request was kept.{unsaid}")


def list_reviews(stores: Stores, state: ReviewState | None, after: UUID | None, limit: int) -> ReviewPage:
    """At most `limit` reviews in `state` (None for any) opened after `after`."""
    with stores.transaction() as transaction:
        found = transaction.reviews.page(state, after, limit + 1)
    more = len(found) > limit
    return ReviewPage(found[:limit], found[limit - 1].id if more else None)


def count_reviews(stores: Stores) -> tuple[QueueCount, ...]:
    """How many reviews there are, by state and age band."""
    with stores.transaction() as transaction:
        return transaction.reviews.counts(AGE_BOUNDS_S)


def find_review(transaction: Transaction, review_id: UUID) -> Review:
    """One review; raises `NotFound`."""
    review = transaction.reviews.find(review_id)
    if review is None:
        raise NotFound
    return review


def claim_review(transaction: Transaction, key: KeyRecord, wish: Wish, rules: CaseworkRules) -> Review | None:
    """Take the next review that fits; None where none waits.

    For one named review: `NotFound` where there is no such, `Conflict` where it cannot be had.
    """
    by = Hand(key, wish.person).by
    lease_s = rules.lease_s if wish.lease_s is None else wish.lease_s
    review = transaction.reviews.claim(ClaimWish(key.id, by, lease_s, wish.skills, wish.review_id))
    if review is None:
        if wish.review_id is None:
            return None
        raise _why_not_to_be_had(find_review(transaction, wish.review_id))
    transaction.trail.add(key.id, by, "review_claimed", review.submission_id, review=str(review.id))
    return review


def _why_not_to_be_had(review: Review) -> Conflict:
    if review.state in (ReviewState.DECIDED, ReviewState.WITHDRAWN):
        return AlreadySettled(f"This review is {review.state.value}.")
    if review.claim is not None:
        return Conflict(f"This review is in the hands of {review.claim.by}.")
    return Conflict("This review is meant for somebody else, or is being taken at this moment.")


def release_review(
    transaction: Transaction, hand: Hand, review_id: UUID, reason: str, row_revision: int | None
) -> Review:
    """Put a claimed review back, saying why; an admin may put anybody's back.

    Raises `NotClaimed` where it is in other hands, `StaleRevision` where it has changed.
    """
    key, by = hand.key, hand.by
    hold_case(transaction, find_review(transaction, review_id).submission_id)
    review = find_review(transaction, review_id)
    _check_revision(review, row_revision)
    anybodys = key.role is Role.ADMIN
    if not transaction.reviews.release(review_id, key.id, by, anybodys=anybodys, row_revision=row_revision):
        raise _why_not_held(find_review(transaction, review_id), hand, row_revision)
    transaction.cases.note(review.submission_id, f"Given back: {reason}", key.id, by)
    transaction.trail.add(key.id, by, "review_released", review.submission_id, review=str(review_id))
    return find_review(transaction, review_id)


def extend_claim(transaction: Transaction, key: KeyRecord, review_id: UUID) -> Review:
    """Let a claim run its whole time again. Raises as `decide_review` does where the claim is no longer held."""
    if not transaction.reviews.extend(review_id, key.id):
        raise _why_not_held(find_review(transaction, review_id), Hand(key), None)
    return find_review(transaction, review_id)


def change_review(
    transaction: Transaction, hand: Hand, review_id: UUID, change: ReviewChange, row_revision: int | None
) -> Review:
    """Set a review's priority, day or person. Raises `AlreadySettled`, or `StaleRevision`."""
    key, by = hand.key, hand.by
    review = find_review(transaction, review_id)
    _check_revision(review, row_revision)
    if not transaction.reviews.change(review_id, change, row_revision):
        review = find_review(transaction, review_id)
        _check_revision(review, row_revision)
        raise AlreadySettled
    transaction.reviews.extend(review_id, key.id)
    transaction.trail.add(key.id, by, "review_changed", review.submission_id, review=str(review_id))
    return find_review(transaction, review_id)


def note_on_review(transaction: Transaction, hand: Hand, review_id: UUID, text: str) -> Note:
    """Write something down about a review's case; if the review is in this key's hands, its lease begins again."""
    key, by = hand.key, hand.by
    review = find_review(transaction, review_id)
    hold_case(transaction, review.submission_id)
    note = transaction.cases.note(review.submission_id, text, key.id, by)
    transaction.reviews.extend(review_id, key.id)
    transaction.trail.add(key.id, by, "note_written", review.submission_id, review=str(review_id))
    return note


def decide_review(
    transaction: Transaction,
    hand: Hand,
    review_id: UUID,
    verdict: Verdict,
    row_revision: int | None,
    rules: CaseworkRules,
) -> tuple[Review, Decision]:
    """Decide a review that is in this hand; a guess is looked at a second time, by somebody else.

    Raises `InvalidInput` for a part that may not be named, and a `Conflict` for everything that stands in the way:
    `StaleRevision` where the review has changed since `row_revision`, `ClaimLapsed`, `NotClaimed`, `AlreadySettled`.
    Whatever is raised, nothing has been decided.
    """
    key, by = hand.key, hand.by
    found = find_review(transaction, review_id)
    case = hold_case(transaction, found.submission_id)
    review = find_review(transaction, review_id)  # as it is now that nobody else can change the case
    _check_revision(review, row_revision)
    if review.claim is None or (review.claim.key_id, review.claim.by) != (key.id, by):
        raise _why_not_held(review, hand, row_revision)
    revision = check_verdict(transaction, verdict)
    if not transaction.reviews.settle(review_id, key.id, by, row_revision):
        raise _why_not_held(find_review(transaction, review_id), hand, row_revision)
    decision = transaction.cases.decide(
        NewDecision(case.id, review_id, review.second_look, case.latest.number, verdict, revision, key_id=key.id, by=by)
    )
    transaction.submissions.touch(case.id)
    transaction.trail.add(key.id, by, "review_decided", case.id, review=str(review_id), outcome=verdict.outcome.value)
    if not review.second_look:
        let_out(transaction, key, by, case)
        look_again_at_a_guess(transaction, case, decision, rules)
    return find_review(transaction, review_id), decision


def look_again_at_a_guess(transaction: Transaction, case: Case, decision: Decision, rules: CaseworkRules) -> None:
    """Have somebody else look at what was decided on a guess."""
    verdict = decision.verdict
    if verdict.confidence is Confidence.GUESS and verdict.outcome is not Outcome.CANNOT_TELL:
        skill = case.latest.identification.leading_core
        transaction.reviews.open(
            new_review(case.id, case.submission, ReviewReason.LOW_CONFIDENCE, rules, skill=skill, not_for=decision.by)
        )


def put_back_lapsed(stores: Stores) -> int:
    """Put the reviews back whose claims have run out; how many there were.

    The queue counts them as waiting from the moment they lapse; this makes a note of it.
    """

    def put_some_back(transaction: Transaction) -> int:
        lapsed = transaction.reviews.put_back_lapsed()
        for review_id, submission_id in lapsed:
            transaction.trail.add(None, THE_SERVICE, "claim_lapsed", submission_id, review=str(review_id))
        return len(lapsed)

    return until_none_is_left(stores, put_some_back)


def _check_revision(review: Review, row_revision: int | None) -> None:
    if row_revision is not None and review.row_revision != row_revision:
        raise StaleRevision


def _why_not_held(review: Review, hand: Hand, row_revision: int | None) -> Conflict:
    if review.state is ReviewState.DECIDED:
        return AlreadySettled("Somebody else has decided this review; nothing of this request was kept.")
    if review.state is ReviewState.WITHDRAWN:
        return AlreadySettled("This review's case was merged into another; nothing of this request was kept.")
    if row_revision is not None and review.row_revision != row_revision:
        return StaleRevision()
    if review.lapsed_key == hand.key.id:
        return ClaimLapsed()
    return NotClaimed() if review.claim is None else hand.in_other_hands(review)
