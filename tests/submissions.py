"""Submissions and readings with valid defaults, for tests of the pure rooms."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from service.domain.readings import (
    Event,
    Feature,
    Instrument,
    LobeKind,
    Position,
    Reading,
    Source,
    Submission,
    Written,
)
from service.domain.units import LengthUnit


def written(value: str | float) -> Written:
    """A string keeps its decimals; a number has lost them."""
    return Written.parse(value) if isinstance(value, str) else Written(Decimal(str(value)))


def reading(feature: str, *values: str | float, **qualifiers: Any) -> Reading:
    return Reading(Feature(feature), tuple(written(v) for v in values), **qualifiers)


def height(*values: str | float, lobe: LobeKind = LobeKind.INTAKE, **qualifiers: Any) -> Reading:
    return reading("lobe_height", *values, lobe=lobe, **qualifiers)


def base(*values: str | float, lobe: LobeKind = LobeKind.INTAKE, **qualifiers: Any) -> Reading:
    return reading("base_circle", *values, lobe=lobe, **qualifiers)


def journal(*values: str | float, position: Position = Position.FRONT, **qualifiers: Any) -> Reading:
    return reading("journal_diameter", *values, position=position, **qualifiers)


def valve_lift(
    *values: str | float, ratio: str = "1.5", lash: str = "0", lobe: LobeKind = LobeKind.INTAKE, **qualifiers: Any
) -> Reading:
    return reading("valve_lift", *values, lobe=lobe, rocker_ratio=Decimal(ratio), lash=Decimal(lash), **qualifiers)


def event(name: str, *values: str | float, checking_lift: str = "0.050", **qualifiers: Any) -> Reading:
    return reading("valve_event", *values, event=Event(name), checking_lift=Decimal(checking_lift), **qualifiers)


def submission(*readings: Reading, unit: LengthUnit = LengthUnit.INCH, **said: Any) -> Submission:
    return Submission(**{"source": Source.PHONE, "unit": unit, "readings": readings} | said)


CALIPER = Instrument.DIGITAL_CALIPER
MICROMETER = Instrument.OUTSIDE_MICROMETER
