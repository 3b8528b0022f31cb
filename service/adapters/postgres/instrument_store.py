"""The bench's measuring instruments in Postgres."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from uuid6 import uuid7

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.domain.bench import Calibration, MeasuringInstrument, ScaleUnit
from service.domain.readings import Instrument
from service.workflows.ports.bench import KeptCalibration, NewInstrument

QUERIES = Queries("instruments")


class InstrumentStore:
    """Satisfies `service.workflows.ports.bench.InstrumentStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def add(self, key_id: UUID, by: str, new: NewInstrument) -> UUID | None:
        """Keep a new one."""
        values = vars(new) | {"id": UUID(int=uuid7().int), "key_id": key_id, "by": by}
        values |= {"kind": new.kind.value, "scale": new.scale.value}
        row = self._connection.execute(QUERIES["add"], values).fetchone()
        return None if row is None else row["id"]

    def find(self, instrument_id: UUID) -> MeasuringInstrument | None:
        """An instrument with its latest calibration."""
        row = self._connection.execute(QUERIES["find"], {"id": instrument_id}).fetchone()
        return None if row is None else _instrument_of(row)

    def page(self, after: UUID | None, limit: int) -> tuple[MeasuringInstrument, ...]:
        """Instruments in the order they came."""
        rows = self._connection.execute(QUERIES["page"], {"after": after, "limit": limit})
        return tuple(_instrument_of(row) for row in rows)

    def calibrations(self, instrument_id: UUID) -> tuple[KeptCalibration, ...]:
        """Every calibration of an instrument, latest first."""
        rows = self._connection.execute(QUERIES["calibrations"], {"id": instrument_id})
        return tuple(KeptCalibration(_calibration_of(row), row["recorded_by"], row["recorded_at"]) for row in rows)

    def calibrate(self, instrument_id: UUID, key_id: UUID, by: str, calibration: Calibration) -> None:
        """Add a calibration."""
        values = vars(calibration) | {"id": UUID(int=uuid7().int), "instrument_id": instrument_id}
        values |= {"key_id": key_id, "recorded_by": by}
        self._connection.execute(QUERIES["calibrate"], values)

    def retire(self, instrument_id: UUID, key_id: UUID, by: str, reason: str) -> bool:
        """Take an instrument out of use."""
        values = {"id": instrument_id, "key_id": key_id, "by": by, "reason": reason}
        return self._connection.execute(QUERIES["retire"], values).rowcount > 0


def _instrument_of(row: dict[str, Any]) -> MeasuringInstrument:
    return MeasuringInstrument(
        row["id"],
        row["name"],
        row["serial"],
        Instrument(row["kind"]),
        row["resolution"],
        ScaleUnit(row["scale"]),
        None if row["calibrated_on"] is None else _calibration_of(row),
        row["retired"],
    )


def _calibration_of(row: dict[str, Any]) -> Calibration:
    return Calibration(row["calibrated_on"], row["due_on"], row["calibrated_by"], row["certificate"])
