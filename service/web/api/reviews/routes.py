"""The review routes."""

from __future__ import annotations

from typing import Any

from flask import Response

from service.web.api.reviews.schemas import ReviewPageSchema, ReviewQuerySchema, review_json
from service.web.blueprint import Blueprint
from service.web.replies import decode_cursor, encode_cursor, json_response
from service.workflows.desk import Desk
from service.workflows.queue import list_reviews


def reviews_blueprint(desk: Desk) -> Blueprint:
    """The routes for the human queue."""
    blueprint = Blueprint("reviews", __name__, url_prefix="/v1/reviews", description="Cases put before a person.")

    @blueprint.route("", methods=["GET"])
    @blueprint.arguments(ReviewQuerySchema(), location="query")
    @blueprint.response(200, ReviewPageSchema())
    def list_all(query: dict[str, Any]) -> Response:
        """The queue, first opened first."""
        after = None if query["cursor"] is None else decode_cursor(query["cursor"])
        page = list_reviews(desk.stores, query["state"], after, query["limit"])
        cursor = None if page.last is None else encode_cursor(page.last)
        return json_response({"items": [review_json(review) for review in page.reviews], "next_cursor": cursor})

    return blueprint
