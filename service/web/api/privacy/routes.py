"""The routes for privacy."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import UUID

import marshmallow as ma
from flask import Response

from service.web.access import caller
from service.web.api.cases.schemas import TrailEntrySchema
from service.web.api.cases.shown import trail_json
from service.web.blueprint import Blueprint
from service.web.fields import AnswerSchema, Text
from service.web.replies import (
    CURSOR_PATTERN,
    IDEMPOTENCY_PARAMETER,
    PageQuery,
    answer_once,
    decode_cursor,
    encode_cursor,
    json_reply,
    json_response,
)
from service.workflows.desk import Desk
from service.workflows.ports.stores import Reply, Transaction
from service.workflows.privacy import erase_customer, export_customer, read_trail


class CustomerSchema(ma.Schema):
    """Who is meant: by e-mail address, by telephone number, or by either of them; nobody where neither is given."""

    email = Text(shortest=3, longest=254, pattern=r"^[^@ \u0000-\u001f]+@[^@ \u0000-\u001f]+$", refusal="No address.")
    phone = Text(
        shortest=1,
        longest=50,
        pattern=r"^[^\u0000]*[0-9][^\u0000]*$",
        refusal="Must hold a digit.",
        metadata={"description": "Its digits are compared."},
    )


class NoticeQuery(ma.Schema):
    """In which language."""

    language = Text(
        longest=35,
        pattern=r"^[A-Za-z]{2,3}(-[A-Za-z0-9]{1,8}){0,3}$",
        refusal="Must be a language tag, such as de or en-GB.",
        load_default=None,
        metadata={"description": "A language tag (BCP 47); the supplier's first where there are no words in it."},
    )


class NoticeSchema(AnswerSchema):
    """The supplier's own words, to be shown wherever contact data is asked for."""

    notice = ma.fields.String(required=True)
    language = ma.fields.String(required=True, metadata={"description": "That the notice is in."})
    reply_hours = ma.fields.Dict(
        keys=ma.fields.String(),
        values=ma.fields.Float(),
        required=True,
        metadata={"description": "Hours within which a person answers, by source of the submission."},
    )
    contact_days = ma.fields.Integer(
        required=True, metadata={"description": "Days after which a contact is forgotten; 0 for never."}
    )


class ExportSchema(AnswerSchema):
    """All that is kept of somebody, case by case, their photos (JPEG, in base64) with it."""

    cases = ma.fields.List(ma.fields.Dict(), required=True)
    shafts = ma.fields.List(
        ma.fields.Dict(),
        required=True,
        metadata={"description": "Shafts they posted that belong to none of these cases."},
    )


class ErasureSchema(AnswerSchema):
    """The cases somebody was taken out of, and the posted shafts that belong to none of them."""

    cases = ma.fields.List(ma.fields.UUID(), required=True)
    shafts = ma.fields.List(ma.fields.UUID(), required=True)


class TrailPageSchema(AnswerSchema):
    """One page of the trail, newest first."""

    items = ma.fields.List(ma.fields.Nested(TrailEntrySchema()), required=True)
    next_cursor = ma.fields.String(required=True, allow_none=True, validate=ma.validate.Regexp(CURSOR_PATTERN))


def notice_blueprint(desk: Desk, notices: Mapping[str, str]) -> Blueprint:
    """The route for the privacy notice, which there is in each language of `notices`, the first by default."""
    blueprint = Blueprint("privacy_notice", __name__, url_prefix="/v1/privacy", description="What is kept of people.")

    @blueprint.route("/notice", methods=["GET"])
    @blueprint.arguments(NoticeQuery(), location="query")
    @blueprint.response(200, NoticeSchema())
    def read(query: dict[str, Any]) -> Response:
        """What a customer is to be told before they leave a name or an address, and when they may expect an answer."""
        return notice_response(desk, notices, query["language"])

    return blueprint


def notice_response(desk: Desk, notices: Mapping[str, str], wanted: str | None) -> Response:
    """The notice in a language, or in the supplier's first where there are no words in that one."""
    wanted = (wanted or "").lower().split("-")[0]
    language = wanted if wanted in notices else next(iter(notices))
    return json_response(
        {
            "notice": notices[language],
            "language": language,
            "contact_days": desk.retention.contact_days,
            "reply_hours": {source.value: hours for source, hours in desk.rules.reply_hours.items()},
        }
    )


def privacy_blueprint(desk: Desk) -> Blueprint:
    """The routes for one customer's data and for the trail."""
    blueprint = Blueprint("privacy", __name__, url_prefix="/v1/privacy", description="One customer's data.")

    @blueprint.route("/export", methods=["POST"])
    @blueprint.arguments(CustomerSchema(), example={"email": "ada.quill@post.example"})
    @blueprint.response(200, ExportSchema())
    def export(body: dict[str, Any]) -> Response:
        """Hand over all that is kept of a customer; that it was is noted in the trail."""
        with desk.stores.transaction() as transaction:
            all_of_it = export_customer(transaction, caller(), body.get("email"), body.get("phone"))
        return json_response({"cases": all_of_it.cases, "shafts": all_of_it.shafts}, 200, Cache_Control="no-store")

    @blueprint.route("/erasure", methods=["POST"])
    @blueprint.arguments(CustomerSchema(), example={"email": "ada.quill@post.example"})
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(200, ErasureSchema())
    @blueprint.problems(409)
    def erase(body: dict[str, Any]) -> Response:
        """Take a customer out of all their cases; readings and answers stay, and are nobody's."""

        def work(transaction: Transaction) -> Reply:
            erased = erase_customer(transaction, caller(), body.get("email"), body.get("phone"))
            return json_reply({name: [str(each) for each in ids] for name, ids in vars(erased).items()})

        return answer_once(desk.stores, work)

    @blueprint.route("/trail", methods=["GET"])
    @blueprint.arguments(PageQuery(), location="query")
    @blueprint.response(200, TrailPageSchema())
    def trail(query: dict[str, Any]) -> Response:
        """Who saw and changed what, newest first; the database lets nobody rewrite it."""
        before = None if query["cursor"] is None else decode_cursor(query["cursor"]).int
        found, last = read_trail(desk.stores, before, query["limit"])
        cursor = None if last is None else encode_cursor(UUID(int=last))
        return json_response({"items": [trail_json(entry) for entry in found], "next_cursor": cursor})

    return blueprint
