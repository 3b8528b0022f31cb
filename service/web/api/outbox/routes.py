"""The outbox routes."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import marshmallow as ma
from flask import Response

from service.domain.outbox import MessageState
from service.web.access import caller
from service.web.api.letters.schemas import MessageSchema, message_json
from service.web.blueprint import Blueprint
from service.web.fields import AnswerSchema, Choice
from service.web.replies import (
    CURSOR_PATTERN,
    IDEMPOTENCY_PARAMETER,
    PRIVATE,
    PageQuery,
    answer_once,
    decode_cursor,
    encode_cursor,
    json_reply,
    json_response,
)
from service.workflows.desk import Desk
from service.workflows.ports.stores import Reply, Transaction
from service.workflows.sending.publish import list_messages, replay


class MessagesQuery(PageQuery):
    """Which messages."""

    state = Choice(
        MessageState, load_default=None, metadata={"description": "Only those in this state; `dead` is what failed."}
    )
    submission = ma.fields.UUID(load_default=None, metadata={"description": "Only those about this submission."})


class MessagePageSchema(AnswerSchema):
    """One page of messages, first made first."""

    items = ma.fields.List(ma.fields.Nested(MessageSchema()), required=True)
    next_cursor = ma.fields.String(
        required=True,
        allow_none=True,
        validate=ma.validate.Regexp(CURSOR_PATTERN),
        metadata={"description": "Where the next page begins; null at the end."},
    )


def outbox_blueprint(desk: Desk) -> Blueprint:
    """The routes for the outbox."""
    blueprint = Blueprint("outbox", __name__, url_prefix="/v1/outbox", description="What is to leave the house.")

    @blueprint.route("", methods=["GET"])
    @blueprint.arguments(MessagesQuery(), location="query")
    @blueprint.response(200, MessagePageSchema())
    def list_all(query: dict[str, Any]) -> Response:
        """Messages, first made first; `state=dead` lists those that failed for good."""
        after = None if query["cursor"] is None else decode_cursor(query["cursor"])
        found, last = list_messages(desk.stores, caller(), query["state"], query["submission"], after, query["limit"])
        cursor = None if last is None else encode_cursor(last)
        return json_response({"items": [message_json(each) for each in found], "next_cursor": cursor}, 200, **PRIVATE)

    @blueprint.route("/<uuid:message_id>/replay", methods=["POST"])
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(200, MessageSchema())
    @blueprint.problems(404, 409, 422)
    def replay_one(message_id: UUID) -> Response:
        """Send a settled message again, under the same id, from the first attempt on."""

        def work(transaction: Transaction) -> Reply:
            return json_reply(message_json(replay(transaction, caller(), message_id)), 200, **PRIVATE)

        return answer_once(desk.stores, work)

    return blueprint
