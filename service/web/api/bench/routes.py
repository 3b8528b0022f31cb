"""`/v1/bench/instruments`: the bench's measuring instruments, their calibrations, and what is out of use."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any
from uuid import UUID

from flask import Response

from service.domain.bench import Calibration, MeasuringInstrument
from service.web.access import caller
from service.web.api.bench.schemas import (
    CALIBRATION_EXAMPLE,
    INSTRUMENT_EXAMPLE,
    InstrumentPageSchema,
    InstrumentSchema,
    NewCalibrationSchema,
    NewInstrumentSchema,
    RetirementSchema,
)
from service.web.blueprint import Blueprint
from service.web.replies import (
    IDEMPOTENCY_PARAMETER,
    LOCATION_HEADER,
    PRIVATE,
    PageQuery,
    answer_once,
    decode_cursor,
    encode_cursor,
    json_reply,
    json_response,
)
from service.workflows.bench.instruments import (
    add_instrument,
    calibrations_of,
    list_instruments,
    read_instrument,
    record_calibration,
    retire_instrument,
)
from service.workflows.desk import Desk
from service.workflows.ports.bench import KeptCalibration, NewInstrument
from service.workflows.ports.stores import Reply, Transaction

PREFIX = "/v1/bench/instruments"


def bench_blueprint(desk: Desk) -> Blueprint:
    """The routes for instruments."""
    blueprint = Blueprint("bench", __name__, url_prefix=PREFIX, description="The bench's measuring instruments.")

    @blueprint.route("", methods=["GET"])
    @blueprint.arguments(PageQuery(), location="query")
    @blueprint.response(200, InstrumentPageSchema())
    def list_all(query: dict[str, Any]) -> Response:
        """Instruments in the order they came, those out of use among them."""
        after = None if query["cursor"] is None else decode_cursor(query["cursor"])
        with desk.stores.transaction() as transaction:
            found, last = list_instruments(transaction, after, query["limit"])
        cursor = None if last is None else encode_cursor(last)
        return json_response({"items": [_shown(each) for each in found], "next_cursor": cursor}, 200, **PRIVATE)

    @blueprint.route("", methods=["POST"])
    @blueprint.arguments(NewInstrumentSchema(), example=INSTRUMENT_EXAMPLE)
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(201, InstrumentSchema(), headers=LOCATION_HEADER)
    @blueprint.problems(409, 422)
    def add_one(said: tuple[NewInstrument, Calibration | None]) -> Response:
        """Take an instrument into use."""

        def work(transaction: Transaction) -> Reply:
            found = add_instrument(transaction, caller(), *said, _today())
            return json_reply(_whole(transaction, found), 201, Location=f"{PREFIX}/{found.id}", **PRIVATE)

        return answer_once(desk.stores, work)

    @blueprint.route("/<uuid:instrument_id>", methods=["GET"])
    @blueprint.response(200, InstrumentSchema())
    @blueprint.problems(404)
    def read_one(instrument_id: UUID) -> Response:
        """An instrument, with every calibration."""
        with desk.stores.transaction() as transaction:
            shown = _whole(transaction, read_instrument(transaction, instrument_id))
        return json_response(shown, 200, **PRIVATE)

    @blueprint.route("/<uuid:instrument_id>/calibrations", methods=["POST"])
    @blueprint.arguments(NewCalibrationSchema(), example=CALIBRATION_EXAMPLE)
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(200, InstrumentSchema())
    @blueprint.problems(404, 409, 422)
    def calibrate_one(said: Calibration, instrument_id: UUID) -> Response:
        """Record a calibration. What was measured before keeps saying how the instrument stood then."""

        def work(transaction: Transaction) -> Reply:
            found = record_calibration(transaction, caller(), instrument_id, said, _today())
            return json_reply(_whole(transaction, found), 200, **PRIVATE)

        return answer_once(desk.stores, work)

    @blueprint.route("/<uuid:instrument_id>/retirement", methods=["POST"])
    @blueprint.arguments(RetirementSchema(), example={"reason": "Dropped; the spindle binds."})
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(200, InstrumentSchema())
    @blueprint.problems(404, 409, 422)
    def retire_one(said: dict[str, Any], instrument_id: UUID) -> Response:
        """Take an instrument out of use; its name may be given to another."""

        def work(transaction: Transaction) -> Reply:
            found = retire_instrument(transaction, caller(), instrument_id, said["reason"])
            return json_reply(_whole(transaction, found), 200, **PRIVATE)

        return answer_once(desk.stores, work)

    return blueprint


def _today() -> date:
    return datetime.now(UTC).date()


def _whole(transaction: Transaction, instrument: MeasuringInstrument) -> dict[str, Any]:
    kept = calibrations_of(transaction, instrument.id)
    return _shown(instrument) | {"calibrations": [_kept_json(each) for each in kept]}


def _shown(instrument: MeasuringInstrument) -> dict[str, Any]:
    calibration = instrument.calibration
    return {
        "id": str(instrument.id),
        "name": instrument.name,
        "serial": instrument.serial,
        "kind": instrument.kind.value,
        "resolution": format(instrument.resolution, "f"),
        "scale": instrument.scale.value,
        "calibration": None if calibration is None else _calibration_json(calibration),
        "overdue": instrument.overdue(_today()),
        "retired": instrument.retired,
    }


def _calibration_json(calibration: Calibration) -> dict[str, Any]:
    days = {"calibrated_on": calibration.calibrated_on.isoformat(), "due_on": calibration.due_on.isoformat()}
    return days | {"by": calibration.by, "certificate": calibration.certificate}


def _kept_json(kept: KeptCalibration) -> dict[str, Any]:
    recorded = {"recorded_by": kept.recorded_by, "recorded_at": kept.recorded_at.isoformat()}
    return _calibration_json(kept.calibration) | recorded
