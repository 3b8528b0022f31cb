"""`/v1/lift-tables`: a bench lift table in, figures and a drawing out."""

from __future__ import annotations

from flask import Response

from service.documents.lift_table_plot import draw_sheet
from service.web.api.lift_tables.answer import worked_out_json
from service.web.api.lift_tables.answer_schemas import WorkedOutSchema
from service.web.api.lift_tables.examples import LIFT_TABLE_EXAMPLES
from service.web.api.lift_tables.schemas import LiftTableRequest, LiftTableSchema
from service.web.blueprint import Blueprint
from service.web.replies import json_response
from service.workflows.desk import Desk
from service.workflows.lift_tables import WorkedOut, work_out

SVG_TYPE = "image/svg+xml"


def lift_tables_blueprint(desk: Desk) -> Blueprint:
    """The routes for lift tables."""
    blueprint = Blueprint("lift_tables", __name__, url_prefix="/v1/lift-tables", description="Lift tables worked out.")

    def found_in(sent: LiftTableRequest) -> WorkedOut:
        with desk.stores.transaction() as transaction:
            return work_out(
                transaction, desk.answering, sent.sheet, used=sent.used, direction_known=sent.direction_known
            )

    @blueprint.route("", methods=["POST"])
    @blueprint.arguments(LiftTableSchema(), examples=LIFT_TABLE_EXAMPLES)
    @blueprint.response(200, WorkedOutSchema())
    @blueprint.problems(422)
    def work_one_out(sent: LiftTableRequest) -> Response:
        """Work lift tables out: the figures of a cam card with their uncertainty, and which part it is.

        Each table is cleaned (wild readings, runout, drift, a bump on the base circle), and every correction is said
        with its size. A table that no lobe can have made is refused with the row at fault.
        """
        return json_response(worked_out_json(found_in(sent), sent.unit))

    @blueprint.route("/plot.svg", methods=["POST"])
    @blueprint.arguments(LiftTableSchema(), examples=LIFT_TABLE_EXAMPLES)
    @blueprint.response(200, {"type": "string"}, content_type=SVG_TYPE)
    @blueprint.problems(422)
    def draw_one(sent: LiftTableRequest) -> Response:
        """Draw lift, velocity and acceleration, with the part that leads beneath."""
        found = found_in(sent)
        response = Response(draw_sheet(found.report, sent.unit, found.conditions), content_type=SVG_TYPE)
        response.headers["Content-Security-Policy"] = "default-src 'none'; style-src 'unsafe-inline'"
        return response

    return blueprint
