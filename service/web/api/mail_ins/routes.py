"""The routes for posted shafts: what anybody with a key may do, and the work of the house."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from flask import Response

from service.web.access import caller
from service.web.api.mail_ins.schemas import (
    ANNOUNCEMENT_EXAMPLE,
    EVENT_EXAMPLES,
    AnnouncementSchema,
    EventSchema,
    MailInsQuery,
)
from service.web.api.mail_ins.shown import MailInPageSchema, MailInSchema, mail_in_json
from service.web.blueprint import Blueprint
from service.web.replies import (
    BARE_POLICY,
    ETAG_HEADER,
    IDEMPOTENCY_PARAMETER,
    IF_MATCH_PARAMETER,
    IF_NONE_MATCH_PARAMETER,
    LOCATION_HEADER,
    PRIVATE,
    answer_once,
    check_if_match,
    decode_cursor,
    encode_cursor,
    identify_once,
    json_reply,
    json_response,
    shown_as,
    unless_unchanged,
)
from service.workflows.bench.mail_ins import (
    Bench,
    NewEvent,
    announce,
    hold_mail_in,
    list_mail_ins,
    read_mail_in,
    record,
)
from service.workflows.bench.shaft_words import code_of, spoken_code
from service.workflows.desk import Desk
from service.workflows.identifying.at_hand import AtHand
from service.workflows.ports.mail_ins import MailIn
from service.workflows.ports.stores import Reply, Transaction

PREFIX = "/v1/mail-ins"
PDF_SCHEMA = {"type": "string", "contentMediaType": "application/pdf"}


def mail_ins_blueprint(desk: Desk) -> Blueprint:
    """Announcing a shaft, and following it."""
    blueprint = Blueprint("mail_ins", __name__, url_prefix=PREFIX, description="Shafts that are posted in.")

    @blueprint.route("", methods=["POST"])
    @blueprint.arguments(AnnouncementSchema(), example=ANNOUNCEMENT_EXAMPLE)
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(201, MailInSchema(), headers=LOCATION_HEADER | ETAG_HEADER)
    @blueprint.problems(409, 422)
    def announce_one(said: dict[str, Any]) -> Response:
        """Expect a shaft; the answer names the slip and the label to print."""

        def work(transaction: Transaction) -> Reply:
            mail_in = announce(transaction, caller(), desk.patience, **said)
            return _reply(mail_in, 201, Location=f"{PREFIX}/{mail_in.id}")

        return answer_once(desk.stores, work)

    @blueprint.route("/<uuid:mail_in_id>", methods=["GET"])
    @blueprint.doc(parameters=[IF_NONE_MATCH_PARAMETER])
    @blueprint.response(200, MailInSchema(), headers=ETAG_HEADER)
    @blueprint.alt_response(304, description="Unchanged.", headers=ETAG_HEADER)
    @blueprint.problems(404)
    def read_one(mail_in_id: UUID) -> Response:
        """Where a shaft stands, and what happened to it."""
        with desk.stores.transaction() as transaction:
            mail_in = read_mail_in(transaction, caller(), mail_in_id)
        return unless_unchanged(etag_of(mail_in), lambda: json_response(mail_in_json(mail_in, caller().role)))

    @blueprint.route("/<uuid:mail_in_id>/slip.pdf", methods=["GET"])
    @blueprint.response(200, PDF_SCHEMA, content_type="application/pdf")
    @blueprint.problems(404)
    def slip(mail_in_id: UUID) -> Response:
        """The packing slip for the box, with the reference as text, QR code and bar code."""
        return _pdf("slip.pdf", _printed(desk, mail_in_id, label=False))

    @blueprint.route("/<uuid:mail_in_id>/label.pdf", methods=["GET"])
    @blueprint.response(200, PDF_SCHEMA, content_type="application/pdf")
    @blueprint.problems(404)
    def label(mail_in_id: UUID) -> Response:
        """The label for the outside of the box."""
        return _pdf("label.pdf", _printed(desk, mail_in_id, label=True))

    return blueprint


def shafts_blueprint(desk: Desk) -> Blueprint:
    """The work of the house on posted shafts."""
    blueprint = Blueprint("shafts", __name__, url_prefix=PREFIX, description="The house's work on posted shafts.")

    @blueprint.route("", methods=["GET"])
    @blueprint.arguments(MailInsQuery(), location="query")
    @blueprint.response(200, MailInPageSchema())
    def list_all(query: dict[str, Any]) -> Response:
        """Shafts, first announced first; `overdue=true` lists those for which something should have happened."""
        after = None if query["cursor"] is None else decode_cursor(query["cursor"])
        found, last = list_mail_ins(
            desk.stores, caller(), query["state"], query["overdue"], query["reference"], after, query["limit"]
        )
        items = [mail_in_json(each, caller().role, whole=False) for each in found]
        cursor = None if last is None else encode_cursor(last)
        return json_response({"items": items, "next_cursor": cursor}, 200, **PRIVATE)

    @blueprint.route("/<uuid:mail_in_id>/events", methods=["POST"])
    @blueprint.arguments(EventSchema(), examples=EVENT_EXAMPLES)
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER, IF_MATCH_PARAMETER])
    @blueprint.response(200, MailInSchema(), headers=ETAG_HEADER)
    @blueprint.problems(404, 409, 412, 422)
    def tell(told: NewEvent, mail_in_id: UUID) -> Response:
        """Record what happened to a shaft: who, when and where.

        What cannot follow on what happened before is refused. `measured` identifies its submission again, or opens one;
        `reported` issues the letter.
        """

        def work(transaction: Transaction, at_hand: AtHand) -> Reply:
            held = hold_mail_in(transaction, mail_in_id)
            check_if_match(etag_of(held))
            bench = Bench(at_hand, desk.rules, desk.stationery, desk.patience)
            return _reply(record(transaction, bench, caller(), held, told), 200)

        return identify_once(desk, work)

    return blueprint


def etag_of(mail_in: MailIn) -> str:
    """The entity tag of a shaft as its caller sees it."""
    return f"{mail_in.row_revision}-{caller().role}"


def _reply(mail_in: MailIn, status: int, **headers: str) -> Reply:
    return json_reply(mail_in_json(mail_in, caller().role), status, ETag=f'"{etag_of(mail_in)}"', **headers, **PRIVATE)


def _printed(desk: Desk, mail_in_id: UUID, *, label: bool) -> bytes:
    # here, because what draws it is slow to import
    from service.documents.packing import Packing, address_label, packing_slip

    with desk.stores.transaction() as transaction:
        mail_in = read_mail_in(transaction, caller(), mail_in_id)
    sender = mail_in.send_back_to
    if not sender and mail_in.contact is not None and mail_in.contact.name:
        sender = (mail_in.contact.name,)
    packing = Packing(
        code_of(mail_in), spoken_code(mail_in), mail_in.announced_at.date(), desk.stationery.supplier, sender
    )
    return address_label(packing) if label else packing_slip(packing)


def _pdf(name: str, body: bytes) -> Response:
    return shown_as(Response(body, content_type="application/pdf"), name, BARE_POLICY)
