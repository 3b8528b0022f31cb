"""The human queue in Postgres."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from uuid6 import uuid7

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.domain.review import Claim, Priority, ReviewReason, ReviewState
from service.workflows.ports.reviews import ClaimWish, NewReview, QueueCount, Review, ReviewChange, Unsettled

QUERIES = Queries("reviews")

_FIRST_FEW = (8, 1000)
"""Of how many reviews of a core the first is taken that nobody is at: enough, and where it was not, more than there can
be connections to be at them."""


class ReviewStore:
    """Satisfies `service.workflows.ports.reviews.ReviewStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def open(self, new: NewReview) -> Review:
        """Open the submission's one unsettled review of this sort, or return the one there is."""
        values = values_of(new) | {"submission_id": new.submission_id}
        row = self._connection.execute(QUERIES["open"], values).fetchone()
        if row is not None:
            return review_of(row)
        opened = self.open_of(new.submission_id, second_look=new.second_look)
        if opened is None:
            raise RuntimeError("a review that stood in the way of another is gone")
        return opened

    def open_of(self, submission_id: UUID, *, second_look: bool = False) -> Review | None:
        """A submission's unsettled review, or its unsettled second look."""
        values = {"submission_id": submission_id, "second_look": second_look}
        row = self._connection.execute(QUERIES["open_of"], values).fetchone()
        return None if row is None else review_of(row)

    def latest_of(self, submission_id: UUID) -> Review | None:
        """A submission's newest review that is no second look."""
        row = self._connection.execute(QUERIES["latest_of"], {"submission_id": submission_id}).fetchone()
        return None if row is None else review_of(row)

    def latest_before(self, submission_id: UUID, round_number: int) -> Review | None:
        """The same of those opened before an answer was given."""
        values = {"submission_id": submission_id, "round": round_number}
        row = self._connection.execute(QUERIES["latest_before"], values).fetchone()
        return None if row is None else review_of(row)

    def find(self, review_id: UUID) -> Review | None:
        """One review."""
        row = self._connection.execute(QUERIES["find"], {"id": review_id}).fetchone()
        return None if row is None else review_of(row)

    def page(self, state: ReviewState | None, after: UUID | None, limit: int) -> tuple[Review, ...]:
        """Reviews in the order they were opened, those after `after`, at most `limit`."""
        values = {"after": after, "limit": limit}
        if state is None:
            rows = self._connection.execute(QUERIES["page"], values)
        else:
            rows = self._connection.execute(QUERIES["page_of_state"], values | {"state": state.value})
        return tuple(review_of(row) for row in rows)

    def claim(self, wish: ClaimWish) -> Review | None:
        """Lease the next review that fits; None where there is none that nobody else is at."""
        review_id = self._to_claim(wish)
        if review_id is None:
            return None
        values = {"id": review_id, "key_id": wish.key_id, "by": wish.by, "lease_s": wish.lease_s}
        row = self._connection.execute(QUERIES["lease"], values).fetchone()
        if row is None:
            raise RuntimeError("a review that was kept is gone")
        return review_of(row)

    def _to_claim(self, wish: ClaimWish) -> UUID | None:
        """A review for whoever asks, kept from all others until the transaction ends."""
        if wish.review_id is not None:
            return self._kept("this_one", by=wish.by, id=wish.review_id)
        if wish.skills is None:
            return self._kept("next", by=wish.by)
        for few in _FIRST_FEW:
            found = self._kept("next_of_skills", by=wish.by, skills=list(wish.skills), few=few)
            if found is not None:
                return found
        return None

    def _kept(self, query: str, **values: Any) -> UUID | None:
        row = self._connection.execute(QUERIES[query], values).fetchone()
        return None if row is None else row["id"]

    def extend(self, review_id: UUID, key_id: UUID) -> bool:
        """Let a claim run its whole time again; False where this key does not hold it any more."""
        return self._connection.execute(QUERIES["extend"], {"id": review_id, "key_id": key_id}).fetchone() is not None

    def extend_of(self, submission_id: UUID, key_id: UUID) -> None:
        """The same for whatever this key has in hand of a case."""
        self._connection.execute(QUERIES["extend_of"], {"submission_id": submission_id, "key_id": key_id})

    def release(self, review_id: UUID, key_id: UUID, by: str, *, anybodys: bool, row_revision: int | None) -> bool:
        """Put a claimed review back; False where it was in other hands, or had changed."""
        values = {"id": review_id, "key_id": key_id, "by": by, "anybodys": anybodys, "row_revision": row_revision}
        return self._connection.execute(QUERIES["release"], values).fetchone() is not None

    def settle(self, review_id: UUID, key_id: UUID, by: str, row_revision: int | None) -> bool:
        """End a review as decided; False where this person's lease does not run, or the review has changed."""
        values = {"id": review_id, "key_id": key_id, "by": by, "row_revision": row_revision}
        return self._connection.execute(QUERIES["settle"], values).fetchone() is not None

    def settle_unheld(self, review_id: UUID, key_id: UUID, by: str, state: ReviewState) -> bool:
        """End a review that nobody else holds; False where somebody else does, or it is settled."""
        values = {"id": review_id, "key_id": key_id, "by": by, "state": state.value}
        return self._connection.execute(QUERIES["settle_unheld"], values).fetchone() is not None

    def change(self, review_id: UUID, change: ReviewChange, row_revision: int | None) -> bool:
        """Set what is to be set; False where the review is settled or has changed."""
        values = {
            "id": review_id,
            "priority": None if change.priority is None else int(change.priority),
            "due_at": change.due_at,
            "assign": change.assign,
            "assigned_to": change.assigned_to,
            "row_revision": row_revision,
        }
        return self._connection.execute(QUERIES["change"], values).fetchone() is not None

    def case_changed(self, submission_id: UUID) -> None:
        """Count a change of the case as one of its unsettled reviews."""
        self._connection.execute(QUERIES["case_changed"], {"submission_id": submission_id})

    def put_back_lapsed(self) -> tuple[tuple[UUID, UUID], ...]:
        """Put back a few reviews whose claims have run out: their ids, and their submissions'."""
        return tuple((row["id"], row["submission_id"]) for row in self._connection.execute(QUERIES["put_back_lapsed"]))

    def unsettled(self) -> tuple[Unsettled, ...]:
        """What waits and what is claimed."""
        rows = self._connection.execute(QUERIES["unsettled"])
        return tuple(
            Unsettled(ReviewState(row["state"]), row["reviews"], row["overdue"], row["oldest_s"]) for row in rows
        )

    def counts(self, bounds_s: tuple[float, ...]) -> tuple[QueueCount, ...]:
        """How many there are by state and age."""
        rows = self._connection.execute(QUERIES["counts"], {"bounds_s": list(bounds_s)})
        return tuple(
            QueueCount(ReviewState(row["state"]), row["age"], row["reviews"], row["overdue"], row["oldest"])
            for row in rows
        )


def values_of(new: NewReview) -> dict[str, Any]:
    """What a review is opened with, under an id of its own, beside the id of its submission."""
    return {
        "review_id": UUID(int=uuid7().int),
        "reason": new.reason.value,
        "second_look": new.second_look,
        "priority": int(new.priority),
        "skill": new.skill,
        "due_in": new.due_in,
        "not_for": new.not_for,
    }


def review_of(row: dict[str, Any]) -> Review:
    """A review out of its row in the queue."""
    claim = None
    if row["claimed_key"] is not None:
        claim = Claim(
            row["claimed_key"], row["claimed_by"], row["claimed_at"], row["lease_seconds"], row["lease_until"]
        )
    return Review(
        id=row["id"],
        submission_id=row["submission_id"],
        reference=row["reference"],
        source=row["source"],
        row_revision=row["row_revision"],
        state=ReviewState(row["state"]),
        reason=ReviewReason(row["reason"]),
        second_look=row["second_look"],
        priority=Priority(row["priority"]),
        skill=row["skill"],
        opened_at=row["opened_at"],
        due_at=row["due_at"],
        assigned_to=row["assigned_to"],
        not_for=row["not_for"],
        settled_at=row["settled_at"],
        claim=claim,
        lapsed_key=row["lapsed_key"],
    )
