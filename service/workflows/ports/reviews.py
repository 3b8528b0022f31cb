"""What workflows need of the queue and of the trail, as Protocols; `stores.py` has the rest."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol
from uuid import UUID

from service.domain.review import Claim, Priority, ReviewReason, ReviewState


@dataclass(frozen=True)
class Review:
    """A case put before a person, as it stands: a claim that has run out is none. `reference` is the case's.

    `lapsed_key` is whose claim ran out, while nobody has taken the review since.
    """

    id: UUID
    submission_id: UUID
    reference: str
    source: str
    row_revision: int
    state: ReviewState
    reason: ReviewReason
    second_look: bool
    priority: Priority
    skill: str | None
    opened_at: datetime
    due_at: datetime
    assigned_to: str | None
    not_for: str | None
    settled_at: datetime | None
    claim: Claim | None
    lapsed_key: UUID | None


@dataclass(frozen=True)
class NewReview:
    """A review to be opened."""

    submission_id: UUID
    reason: ReviewReason
    priority: Priority
    due_in: timedelta
    second_look: bool = False
    skill: str | None = None
    not_for: str | None = None


@dataclass(frozen=True)
class ClaimWish:
    """Which review somebody would take: any, one of those skills, or one by its id."""

    key_id: UUID
    by: str
    lease_s: int
    skills: tuple[str, ...] | None = None
    review_id: UUID | None = None


@dataclass(frozen=True)
class ReviewChange:
    """What to set of a review: None leaves it; `assign` says whether `assigned_to` is meant (None: nobody)."""

    priority: Priority | None = None
    due_at: datetime | None = None
    assign: bool = False
    assigned_to: str | None = None


@dataclass(frozen=True)
class QueueCount:
    """How many reviews are in a state and in an age band; `age` counts the bounds that are passed."""

    state: ReviewState
    age: int
    reviews: int
    overdue: int
    oldest: datetime


@dataclass(frozen=True)
class Unsettled:
    """Reviews in a state that needs somebody: how many, how many overdue, seconds since the oldest was opened."""

    state: ReviewState
    reviews: int
    overdue: int
    oldest_s: float


class ReviewStore(Protocol):
    """The queue of cases put before a person."""

    def open(self, new: NewReview) -> Review:
        """Open the submission's one unsettled review of this sort, or return the one there is."""
        ...

    def open_of(self, submission_id: UUID, *, second_look: bool = False) -> Review | None:
        """A submission's unsettled review, or its unsettled second look."""
        ...

    def find(self, review_id: UUID) -> Review | None:
        """One review."""
        ...

    def page(self, state: ReviewState | None, after: UUID | None, limit: int) -> tuple[Review, ...]:
        """Reviews in the order they were opened, those after `after`, at most `limit`."""
        ...

    def claim(self, wish: ClaimWish) -> Review | None:
        """Lease the next review that fits; None where there is none that nobody else is at."""
        ...

    def extend(self, review_id: UUID, key_id: UUID) -> bool:
        """Let a claim run its whole time again; False where this key does not hold it any more."""
        ...

    def extend_of(self, submission_id: UUID, key_id: UUID) -> None:
        """The same for whatever this key has in hand of a case."""
        ...

    def release(self, review_id: UUID, key_id: UUID, by: str, *, anybodys: bool, row_revision: int | None) -> bool:
        """Put a claimed review back; False where it was in other hands (or, `anybodys`, in none) or had changed."""
        ...

    def settle(self, review_id: UUID, key_id: UUID, by: str, row_revision: int | None) -> bool:
        """End a review as decided; False where this person's lease does not run, or the review has changed."""
        ...

    def settle_unheld(self, review_id: UUID, key_id: UUID, by: str, state: ReviewState) -> bool:
        """End a review that nobody else holds; False where somebody else does, or it is settled."""
        ...

    def change(self, review_id: UUID, change: ReviewChange, row_revision: int | None) -> bool:
        """Set what is to be set; False where the review is settled or has changed."""
        ...

    def case_changed(self, submission_id: UUID) -> None:
        """Count a change of the case as one of its unsettled reviews."""
        ...

    def put_back_lapsed(self) -> tuple[tuple[UUID, UUID], ...]:
        """Put back a few reviews whose claims have run out: their ids, and their submissions'."""
        ...

    def unsettled(self) -> tuple[Unsettled, ...]:
        """What waits and what is claimed, a state each."""
        ...

    def counts(self, bounds_s: tuple[float, ...]) -> tuple[QueueCount, ...]:
        """How many there are by state and age; `bounds_s` are the ages that part the bands, in seconds."""
        ...


@dataclass(frozen=True)
class TrailEntry:
    """One thing somebody saw or changed."""

    id: int
    at: datetime
    who: str
    action: str
    submission_id: UUID | None
    details: dict[str, object]


class TrailStore(Protocol):
    """The audit trail: it can be added to, and the database lets nobody rewrite it."""

    def add(
        self, key_id: UUID | None, who: str, action: str, submission_id: UUID | None = None, **details: object
    ) -> None:
        """Note what was seen or done. `details` holds codes and states, never what a customer wrote."""
        ...

    def page(self, submission_id: UUID | None, before: int | None, limit: int) -> tuple[TrailEntry, ...]:
        """Entries of one case or of all, newest first, those before `before`."""
        ...
