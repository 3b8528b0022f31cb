"""The human queue in Postgres."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from uuid6 import uuid7

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.domain.review import ReviewReason, ReviewState
from service.workflows.ports import Review

QUERIES = Queries("reviews")


class ReviewStore:
    """Satisfies `service.workflows.ports.ReviewStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def open(self, submission_id: UUID, reason: ReviewReason) -> Review:
        """Open the submission's one review, or return the one there is."""
        values = {"id": UUID(int=uuid7().int), "submission_id": submission_id, "reason": reason.value}
        row = self._connection.execute(QUERIES["open"], values).fetchone()
        if row is None:
            row = self._connection.execute(QUERIES["of_submission"], values).fetchone()
        if row is None:
            raise RuntimeError("a review that stood in the way of another is gone")
        return review_of(row)

    def page(self, state: ReviewState | None, after: UUID | None, limit: int) -> tuple[Review, ...]:
        """Reviews in the order they were opened, those after `after`, at most `limit`."""
        values = {"state": None if state is None else state.value, "after": after, "limit": limit}
        return tuple(review_of(row) for row in self._connection.execute(QUERIES["page"], values))


def review_of(row: dict[str, Any]) -> Review:
    """A review out of its row."""
    return Review(
        row["id"], row["submission_id"], ReviewState(row["state"]), ReviewReason(row["reason"]), row["opened_at"]
    )
