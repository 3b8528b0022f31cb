"""How a list of reviews is asked for, and how it looks."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.domain.review import ReviewReason, ReviewState
from service.web.fields import AnswerSchema, Choice
from service.web.replies import CURSOR_PATTERN, PageQuery
from service.workflows.ports import Review


class ReviewQuerySchema(PageQuery):
    """Which reviews."""

    state = Choice(ReviewState, load_default=None, metadata={"description": "Only those in this state."})


class ReviewSchema(AnswerSchema):
    """A case put before a person."""

    id = ma.fields.UUID(required=True)
    submission_id = ma.fields.UUID(required=True)
    state = Choice(ReviewState, required=True)
    reason = Choice(ReviewReason, required=True)
    opened_at = ma.fields.DateTime(required=True)


class ReviewPageSchema(AnswerSchema):
    """One page of reviews, first opened first."""

    items = ma.fields.List(ma.fields.Nested(ReviewSchema()), required=True)
    next_cursor = ma.fields.String(
        required=True,
        allow_none=True,
        validate=ma.validate.Regexp(CURSOR_PATTERN),
        metadata={"description": "Where the next page begins; null at the end."},
    )


def review_json(review: Review) -> dict[str, Any]:
    """A review as JSON."""
    return {
        "id": str(review.id),
        "submission_id": str(review.submission_id),
        "state": review.state.value,
        "reason": review.reason.value,
        "opened_at": review.opened_at.isoformat(),
    }
