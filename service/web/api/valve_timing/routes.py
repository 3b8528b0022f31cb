"""`POST /v1/valve-timing`: events read in an engine in; centres, separation, overlap and advance out."""

from __future__ import annotations

from flask import Response

from service.identification.bench.timing_sheet import TimingSheet, work_timing_sheet_out
from service.web.api.valve_timing.answer import TimingFoundSchema, timing_json
from service.web.api.valve_timing.schemas import TIMING_EXAMPLES, TimingSchema
from service.web.blueprint import Blueprint
from service.web.replies import json_response
from service.workflows.desk import Desk


def valve_timing_blueprint(desk: Desk) -> Blueprint:
    """The route for valve timing."""
    blueprint = Blueprint(
        "valve_timing", __name__, url_prefix="/v1/valve-timing", description="Valve timing read in an engine."
    )

    @blueprint.route("", methods=["POST"])
    @blueprint.arguments(TimingSchema(), examples=TIMING_EXAMPLES)
    @blueprint.response(200, TimingFoundSchema())
    @blueprint.problems(422)
    def work_one_out(sheet: TimingSheet) -> Response:
        """Work valve timing out, from events, centres, durations or a card's figures, each with its uncertainty.

        Readings that cannot hold together are named, with the single mistakes that would account for them.
        """
        constants = desk.answering.snapshot.constants(desk.stores)
        return json_response(timing_json(work_timing_sheet_out(constants, sheet)))

    return blueprint
