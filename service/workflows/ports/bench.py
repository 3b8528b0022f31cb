"""What the work with the bench's instruments needs of the world, as Protocols."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Protocol
from uuid import UUID

from service.domain.bench import Calibration, MeasuringInstrument, ScaleUnit
from service.domain.readings import Instrument


@dataclass(frozen=True)
class NewInstrument:
    """An instrument that comes to the bench."""

    name: str
    serial: str | None
    kind: Instrument
    resolution: Decimal
    scale: ScaleUnit


@dataclass(frozen=True)
class KeptCalibration:
    """A calibration as it was recorded."""

    calibration: Calibration
    recorded_by: str
    recorded_at: datetime


class InstrumentStore(Protocol):
    """The bench's measuring instruments."""

    def add(self, key_id: UUID, by: str, new: NewInstrument) -> UUID | None:
        """Keep a new one; None where one in use has that name."""
        ...

    def find(self, instrument_id: UUID) -> MeasuringInstrument | None:
        """An instrument with its latest calibration."""
        ...

    def page(self, after: UUID | None, limit: int) -> tuple[MeasuringInstrument, ...]:
        """Instruments in the order they came, retired ones among them."""
        ...

    def calibrations(self, instrument_id: UUID) -> tuple[KeptCalibration, ...]:
        """Every calibration of an instrument, latest first."""
        ...

    def calibrate(self, instrument_id: UUID, key_id: UUID, by: str, calibration: Calibration) -> None:
        """Add a calibration."""
        ...

    def retire(self, instrument_id: UUID, key_id: UUID, by: str, reason: str) -> bool:
        """Take an instrument out of use; False where that was done before."""
        ...
