"""The human queue, as far as it is read: which cases wait for a person."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from service.domain.review import ReviewState
from service.workflows.ports import Review, Stores


@dataclass(frozen=True)
class ReviewPage:
    """Some reviews, first opened first; `last` is where the next page begins, None at the end."""

    reviews: tuple[Review, ...]
    last: UUID | None


def list_reviews(stores: Stores, state: ReviewState | None, after: UUID | None, limit: int) -> ReviewPage:
    """At most `limit` reviews in `state` (None for any) opened after `after`."""
    with stores.transaction() as transaction:
        found = transaction.reviews.page(state, after, limit + 1)
    more = len(found) > limit
    return ReviewPage(found[:limit], found[limit - 1].id if more else None)
