"""`/v1/lift-tables`: a bench lift table in, figures and a drawing out; kept with a submission or a posted shaft."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from flask import Response

from service.documents.lift_table_plot import draw_sheet
from service.lobe.sent_sheet import SentSheet
from service.web.access import caller
from service.web.api.lift_tables.answer import worked_out_json
from service.web.api.lift_tables.answer_schemas import KeptWorkedOutSchema, WorkedOutSchema
from service.web.api.lift_tables.examples import LIFT_TABLE_EXAMPLES
from service.web.api.lift_tables.kept import PREFIX, kept_json, sent_json
from service.web.api.lift_tables.schemas import AttachableSchema, LiftTableRequest, LiftTableSchema, WithdrawalSchema
from service.web.blueprint import Blueprint
from service.web.drawings import SVG_TYPE, drawing_response
from service.web.replies import (
    IDEMPOTENCY_PARAMETER,
    LOCATION_HEADER,
    PRIVATE,
    identify_once,
    json_reply,
    json_response,
)
from service.workflows.bench.kept_tables import keep_tables, read_tables, withdraw_tables
from service.workflows.desk import Desk
from service.workflows.identifying.at_hand import AtHand
from service.workflows.identifying.bench_record import at_reference
from service.workflows.identifying.lift_tables import WorkedOut, work_out
from service.workflows.ports.lift_tables import KeptSheet
from service.workflows.ports.stores import Reply, Transaction


def lift_tables_blueprint(desk: Desk) -> Blueprint:
    """The routes for lift tables."""
    blueprint = Blueprint("lift_tables", __name__, url_prefix=PREFIX, description="Lift tables worked out.")

    @blueprint.route("", methods=["POST"])
    @blueprint.arguments(AttachableSchema(), examples=LIFT_TABLE_EXAMPLES)
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(200, WorkedOutSchema())
    @blueprint.alt_response(201, schema=KeptWorkedOutSchema(), description="Kept.", headers=LOCATION_HEADER)
    @blueprint.problems(409, 422)
    def work_one_out(sent: LiftTableRequest) -> Response:
        """Work lift tables out: the figures of a cam card with their uncertainty, and which part it is.

        Each table is cleaned (wild readings, runout, drift, a bump on the base circle), and every correction is said
        with its size. A table that no lobe can have made is refused with the row at fault. With `submission` or
        `mail_in` the rows are kept as they are, and the submission is answered again.
        """

        def work(transaction: Transaction, at_hand: AtHand) -> Reply:
            found = at_hand.worked_out(sent.sent)
            if not sent.attached:
                return json_reply(worked_out_json(found, sent.sent.unit))
            whose = (sent.submission, sent.mail_in)
            kept = keep_tables(transaction, at_hand, caller(), sent.sent, *whose, desk.rules, sent.conditions)
            found = at_hand.worked_out(at_reference(kept.sent, kept.bench))
            return json_reply(_kept(found, kept), 201, Location=f"{PREFIX}/{kept.id}", **PRIVATE)

        return identify_once(desk, work, first=lambda at_hand: at_hand.worked_out(sent.sent))

    @blueprint.route("/plot.svg", methods=["POST"])
    @blueprint.arguments(LiftTableSchema(), examples=LIFT_TABLE_EXAMPLES)
    @blueprint.response(200, {"type": "string"}, content_type=SVG_TYPE)
    @blueprint.problems(422)
    def draw_one(sent: SentSheet) -> Response:
        """Draw lift, velocity and acceleration, with the part that leads beneath."""
        found = work_out(desk.stores, desk.answering.snapshot, sent)
        return _drawing(found, sent)

    @blueprint.route("/<uuid:lift_tables_id>", methods=["GET"])
    @blueprint.response(200, KeptWorkedOutSchema())
    @blueprint.problems(404)
    def read_one(lift_tables_id: UUID) -> Response:
        """Kept lift tables: as they were sent, and worked out under the present catalogue."""
        with desk.stores.transaction() as transaction:
            kept = read_tables(transaction, caller(), lift_tables_id)
        found = work_out(desk.stores, desk.answering.snapshot, at_reference(kept.sent, kept.bench))
        return json_response(_kept(found, kept), 200, **PRIVATE)

    @blueprint.route("/<uuid:lift_tables_id>/plot.svg", methods=["GET"])
    @blueprint.response(200, {"type": "string"}, content_type=SVG_TYPE)
    @blueprint.problems(404)
    def draw_kept(lift_tables_id: UUID) -> Response:
        """Draw kept lift tables, with the part that leads beneath."""
        with desk.stores.transaction() as transaction:
            kept = read_tables(transaction, caller(), lift_tables_id)
        found = work_out(desk.stores, desk.answering.snapshot, at_reference(kept.sent, kept.bench))
        return _drawing(found, kept.sent)

    @blueprint.route("/<uuid:lift_tables_id>/withdrawal", methods=["POST"])
    @blueprint.arguments(WithdrawalSchema(), example={"reason": "They are of another shaft."})
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(200, KeptWorkedOutSchema())
    @blueprint.problems(404, 409, 422)
    def withdraw_one(body: dict[str, Any], lift_tables_id: UUID) -> Response:
        """Let kept lift tables count no longer; their submission is answered again without them."""

        def work(transaction: Transaction, at_hand: AtHand) -> Reply:
            kept = withdraw_tables(transaction, at_hand, caller(), lift_tables_id, body["reason"], desk.rules)
            return json_reply(_kept(at_hand.worked_out(at_reference(kept.sent, kept.bench)), kept), 200, **PRIVATE)

        return identify_once(desk, work)

    return blueprint


def _kept(found: WorkedOut, kept: KeptSheet) -> dict[str, Any]:
    return worked_out_json(found, kept.sent.unit) | {"kept": kept_json(kept), "sent": sent_json(kept.sent)}


def _drawing(found: WorkedOut, sent: SentSheet) -> Response:
    return drawing_response(draw_sheet(found.report, sent.unit, found.conditions))
