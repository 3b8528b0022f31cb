"""The bench's measuring instruments: added, calibrated, taken out of use. Nothing of an instrument is ever changed."""

from __future__ import annotations

from datetime import date
from uuid import UUID

from service.domain.bench import ANGULAR, Calibration, MeasuringInstrument, ScaleUnit
from service.domain.errors import Conflict, Fault, InvalidInput, NotFound
from service.workflows.ports.bench import KeptCalibration, NewInstrument
from service.workflows.ports.stores import KeyRecord, Transaction


def add_instrument(
    transaction: Transaction, key: KeyRecord, new: NewInstrument, calibration: Calibration | None, today: date
) -> MeasuringInstrument:
    """Take an instrument into use, with its calibration if it has one.

    Raises `InvalidInput` for a scale its kind has not or a calibration that is still to come, and `Conflict` where
    another in use has its name.
    """
    if (new.kind in ANGULAR) != (new.scale is ScaleUnit.DEGREE):
        detail = f"A {new.kind.value} is not divided in {new.scale.value}."
        raise InvalidInput(faults=(Fault("/scale", detail),))
    instrument_id = transaction.instruments.add(key.id, key.name, new)
    if instrument_id is None:
        raise Conflict(f"An instrument in use is named {new.name} already.")
    transaction.trail.add(key.id, key.name, "instrument_added", None, instrument=str(instrument_id))
    if calibration is not None:
        return record_calibration(transaction, key, instrument_id, calibration, today, "/calibration")
    return read_instrument(transaction, instrument_id)


def read_instrument(transaction: Transaction, instrument_id: UUID) -> MeasuringInstrument:
    """An instrument; raises `NotFound`."""
    found = transaction.instruments.find(instrument_id)
    if found is None:
        raise NotFound("There is no such instrument.")
    return found


def list_instruments(
    transaction: Transaction, after: UUID | None, limit: int
) -> tuple[tuple[MeasuringInstrument, ...], UUID | None]:
    """Instruments in the order they came, and where the next page begins, None at the end."""
    found = transaction.instruments.page(after, limit + 1)
    return found[:limit], found[limit - 1].id if len(found) > limit else None


def record_calibration(
    transaction: Transaction,
    key: KeyRecord,
    instrument_id: UUID,
    calibration: Calibration,
    today: date,
    within: str = "",
) -> MeasuringInstrument:
    """Add a calibration to an instrument in use. `within` is where in the body it stood, for faults.

    Raises `NotFound`, `Conflict` for an instrument out of use, and `InvalidInput` for days that cannot be.
    """
    instrument = read_instrument(transaction, instrument_id)
    if instrument.retired:
        raise Conflict("This instrument is out of use.")
    if calibration.calibrated_on > today:
        raise InvalidInput(faults=(Fault(f"{within}/calibrated_on", "This day is still to come."),))
    if calibration.due_on <= calibration.calibrated_on:
        raise InvalidInput(faults=(Fault(f"{within}/due_on", "Must be later than the calibration."),))
    transaction.instruments.calibrate(instrument_id, key.id, key.name, calibration)
    transaction.trail.add(key.id, key.name, "instrument_calibrated", None, instrument=str(instrument_id))
    return read_instrument(transaction, instrument_id)


def calibrations_of(transaction: Transaction, instrument_id: UUID) -> tuple[KeptCalibration, ...]:
    """Every calibration of an instrument, latest first; raises `NotFound`."""
    read_instrument(transaction, instrument_id)
    return transaction.instruments.calibrations(instrument_id)


def retire_instrument(
    transaction: Transaction, key: KeyRecord, instrument_id: UUID, reason: str
) -> MeasuringInstrument:
    """Take an instrument out of use; what was measured with it stays as it was. Raises `NotFound` and `Conflict`."""
    read_instrument(transaction, instrument_id)
    if not transaction.instruments.retire(instrument_id, key.id, key.name, reason):
        raise Conflict("This instrument is out of use already.")
    transaction.trail.add(key.id, key.name, "instrument_retired", None, instrument=str(instrument_id))
    return read_instrument(transaction, instrument_id)
