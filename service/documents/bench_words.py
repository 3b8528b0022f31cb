"""What is said of a bench's measuring: calibrations that had run out, zeros that moved, warmth."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from service.domain.bench import MeasuringInstrument, ThermalCorrection


def _named(instrument: MeasuringInstrument) -> str:
    kind = instrument.kind.value.replace("_", " ")
    serial = f", serial {instrument.serial}" if instrument.serial else ""
    return f"{instrument.name} ({kind}{serial})"


def overdue(instrument: MeasuringInstrument, on: date) -> str:
    """Of an instrument that was overdue on the day it was used."""
    if instrument.calibration is None:
        return f"{_named(instrument)} has no calibration on record. What was read with it says so; it still counts."
    days = (on - instrument.calibration.due_on).days
    return (
        f"The calibration of {_named(instrument)} ran out on {instrument.calibration.due_on.isoformat()}, "
        f"{days} {'day' if days == 1 else 'days'} before. What was read with it says so; it still counts."
    )


def drift(instrument: MeasuringInstrument, moved: Decimal, allowed: str, unit: str, *, drifted: bool) -> str:
    """Of a zero that was checked before and after."""
    size = f"{moved:+f}" if moved else "0"
    if drifted:
        return (
            f"The zero of {_named(instrument)} drifted by {size} {unit}, more than the {allowed} that two checks of a "
            "steady one may differ by: measure again."
        )
    return (
        f"The zero of {_named(instrument)} drifted by {size} {unit}; up to {allowed} is within what checks differ by."
    )


def zero_not_weighed(instrument: MeasuringInstrument) -> str:
    """Of zero checks that are kept and do not count: the readings do not say which of two they were taken with."""
    return (
        f"Another instrument of its kind was used beside {_named(instrument)}, so its zero checks are kept here "
        "and do not count in the answer."
    )


def warmth(scale_c: Decimal, shaft_c: Decimal, correction: ThermalCorrection, corrected: int) -> str:
    """Of the temperatures, and whether they matter."""
    where, share = _where(scale_c, shaft_c), _share(correction)
    if corrected:
        count = "1 reading was" if corrected == 1 else f"{corrected} readings were"
        return f"{where}: {count} corrected to 20 °C ({share}). The record has every value as read."
    return f"{where}: the correction to 20 °C ({share}) is less than half a step of the instrument and does not matter."


def warmth_of_tables(scale_c: Decimal, shaft_c: Decimal, correction: ThermalCorrection, greatest_mm: float) -> str:
    """The same of lift tables; `greatest_mm` is the greatest length that was corrected, 0 where none was."""
    where, share = _where(scale_c, shaft_c), _share(correction)
    if greatest_mm:
        return (
            f"{where}: brought to 20 °C ({share}), which changes nothing by more than "
            f"{abs(correction.per_mm) * greatest_mm * 1e3:.2f} µm. The table is kept as read."
        )
    return (
        f"{where}: the correction to 20 °C ({share}, so {correction.per_mm * 1e4:+.2f} µm on a lift of 10 mm) is less "
        "than half a step of the instrument and does not matter."
    )


def overdue_in_short(name: str, kind: str, due_on: str | None) -> str:
    """The same of an instrument as an answer says it, out of a record."""
    of = f"{name} ({kind.replace('_', ' ')})"
    if due_on is None:
        return f"This rests on {of}, which had no calibration on record."
    return f"This rests on {of}, whose calibration had run out on {due_on}."


def _where(scale_c: Decimal, shaft_c: Decimal) -> str:
    return f"Bench at {scale_c:f} °C, shaft at {shaft_c:f} °C"


def _share(correction: ThermalCorrection) -> str:
    return f"{correction.per_mm * 1e6:+.1f} µm per metre"
