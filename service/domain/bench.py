"""The bench's own measuring instruments, and the conditions a shaft was measured under.

Words as in JCGM 200 (the international vocabulary of metrology): measuring instrument, resolution, calibration,
indication, correction, zero error, instrumental drift, reference conditions.

A length is stated at 20 °C (ISO 1). An instrument whose scale is at `s` °C reads R on a shaft at `p` °C; the shaft's
length at 20 °C is

    L = R (1 + a_s (s - 20)) / (1 + a_p (p - 20))

with a_s, a_p the expansion coefficients of scale and shaft (JCGM 100, H.1, solved for one length by the other). The
same holds for a reading set against a gauge, with the gauge in the scale's place. Where both are as warm as each other
and of like metal next to nothing is left of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from types import MappingProxyType
from uuid import UUID

from service.domain.readings import Instrument, Written
from service.domain.units import LengthUnit

REFERENCE_C = 20.0
"""ISO 1: the temperature at which lengths are stated."""

TEMPERATURE_SD_C = 0.5
"""Standard uncertainty of a bench thermometer, and of a shaft's being that warm (common practice, no source)."""

EXPANSION_SD_PER_K = 1.2e-6
"""Of a coefficient from a handbook: JCGM 100, H.1.6 has 2e-6 / sqrt(3) for a steel of 11.5e-6."""

OVERDUE = "instrument_overdue"
"""The code of the advice that an answer rests on an instrument whose calibration was not in date."""


class Metal(StrEnum):
    """What a shaft is made of."""

    CAST_IRON = "cast_iron"
    STEEL = "steel"


EXPANSION_PER_K: Mapping[Metal, float] = MappingProxyType({Metal.CAST_IRON: 10.8e-6, Metal.STEEL: 11.5e-6})
"""Grey cast iron 6.0e-6 per degree Fahrenheit (handbook tables agree); steel as in JCGM 100, H.1 and Swyt, J. Res. NIST
99 (1994) 31."""

SCALE_PER_K = EXPANSION_PER_K[Metal.STEEL]
"""The bench's instruments are of steel."""


class ScaleUnit(StrEnum):
    """What an instrument's scale is divided in."""

    INCH = "in"
    MILLIMETRE = "mm"
    DEGREE = "deg"


ANGULAR = frozenset({Instrument.DEGREE_WHEEL, Instrument.PROTRACTOR})
"""Kinds of instrument whose scale is in degrees."""


@dataclass(frozen=True)
class Calibration:
    """A calibration made on a day; the next falls due on another, and up to that day the instrument may be used."""

    calibrated_on: date
    due_on: date
    by: str
    certificate: str | None = None


@dataclass(frozen=True)
class MeasuringInstrument:
    """One instrument of the bench, told from others by its name. `resolution` is in its scale's unit.

    `calibration` is its latest, None where none was ever recorded.
    """

    id: UUID
    name: str
    serial: str | None
    kind: Instrument
    resolution: Decimal
    scale: ScaleUnit
    calibration: Calibration | None
    retired: bool

    def overdue(self, on: date) -> bool:
        """Whether its calibration had run out by a day; one never calibrated is always overdue."""
        return self.calibration is None or on > self.calibration.due_on

    @property
    def resolution_mm(self) -> float | None:
        """The resolution in millimetres; None for degrees."""
        if self.scale is ScaleUnit.DEGREE:
            return None
        return LengthUnit(self.scale.value).to_mm(self.resolution)


@dataclass(frozen=True)
class Used:
    """An instrument as it was used: its zero error before and after, as written, against a gauge of size `reference`.

    Zero is 0 for closed jaws, an indicator at rest or a wheel at its mark. Lengths are in the unit of the readings.
    """

    instrument_id: UUID
    zero_before: Written | None = None
    zero_after: Written | None = None
    reference: Decimal = Decimal(0)

    @property
    def drift(self) -> Decimal | None:
        """The instrumental drift from the zero check before to the one after."""
        if self.zero_before is None or self.zero_after is None:
            return None
        return self.zero_after.value - self.zero_before.value


@dataclass(frozen=True)
class Conditions:
    """What a bench says of its measuring: with what, in what warmth, by whom.

    `temperature_c` is the bench's and its instruments'; a shaft that has lain there long enough is as warm.
    """

    used: tuple[Used, ...] = ()
    temperature_c: Decimal | None = None
    shaft_temperature_c: Decimal | None = None
    metal: Metal = Metal.CAST_IRON
    measured_by: str | None = None


@dataclass(frozen=True)
class ThermalCorrection:
    """What has to be added to each millimetre read to have it at 20 °C, with its standard uncertainty."""

    per_mm: float
    sd_per_mm: float

    def matters(self, length_mm: float, resolution_mm: float) -> bool:
        """Whether it is half a step of the instrument or more: less cannot be seen in the reading."""
        return abs(self.per_mm * length_mm) >= resolution_mm / 2


def to_reference(scale_c: float, shaft_c: float, metal: Metal) -> ThermalCorrection:
    """The correction to 20 °C of a reading by a steel scale at `scale_c` of a shaft at `shaft_c`.

    The uncertainty is that of both temperatures and both coefficients, by the first-order law of JCGM 100, 5.1.2.
    """
    shaft_per_k = EXPANSION_PER_K[metal]
    scale_off, shaft_off = scale_c - REFERENCE_C, shaft_c - REFERENCE_C
    factor = (1 + SCALE_PER_K * scale_off) / (1 + shaft_per_k * shaft_off)
    sd = math.sqrt(
        ((SCALE_PER_K * TEMPERATURE_SD_C) ** 2 + (EXPANSION_SD_PER_K * scale_off) ** 2)
        + ((shaft_per_k * TEMPERATURE_SD_C) ** 2 + (EXPANSION_SD_PER_K * shaft_off) ** 2)
    )
    return ThermalCorrection(factor - 1, sd)
