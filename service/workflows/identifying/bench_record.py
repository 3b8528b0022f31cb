"""What a bench says of its measuring, settled: instruments looked up, zeros weighed, readings brought to 20 °C.

An instrument whose calibration had run out is said, never refused. What comes of it is a record, kept with what was
measured and never changed: the instruments as they stood that day, and every sentence that was said of them. Lift
tables are kept as read, and brought to 20 °C as their record says (`at_reference`) wherever they count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Any

from service.documents import bench_words as words
from service.domain.bench import (
    ANGULAR,
    OVERDUE,
    Conditions,
    MeasuringInstrument,
    Metal,
    ThermalCorrection,
    Used,
    to_reference,
)
from service.domain.errors import Fault, InvalidInput
from service.domain.identification import Advice
from service.domain.readings import TOOLS_FOR, Feature, Instrument, Reading, Written
from service.domain.units import LengthUnit
from service.identification.bench.zero_drift import drift_allowed
from service.identification.measuring.model import MeasuringModel
from service.lobe.sent_sheet import SentLobe, SentSheet
from service.workflows.ports.stores import Transaction

Json = dict[str, Any]

OF_THE_BENCH = frozenset({OVERDUE})
"""Codes of advice that comes from records of the bench: said to the house, and kept from answer to answer."""

_CORRECTED = frozenset(
    {
        Feature.JOURNAL_DIAMETER,
        Feature.LOBE_HEIGHT,
        Feature.BASE_CIRCLE,
        Feature.FLANK_WIDTH,
        Feature.LOBE_LIFT,
        Feature.OVERALL_LENGTH,
    }
)
"""What is a length of the shaft and of nothing else."""


@dataclass(frozen=True)
class Settled:
    """The readings as they go into the submission, zero checks among them; the record; what the answer says of it."""

    readings: tuple[Reading, ...]
    record: Json
    advice: tuple[Advice, ...] = ()


@dataclass(frozen=True)
class _InUse:
    used: Used
    instrument: MeasuringInstrument


def settle(
    transaction: Transaction,
    model: MeasuringModel,
    conditions: Conditions,
    readings: tuple[Reading, ...],
    unit: LengthUnit,
    on: date,
    by: str,
    lobes: tuple[SentLobe, ...] = (),
) -> Settled:
    """Settle what was measured on a day: readings, each of which names its instrument's kind, or lift tables (`lobes`).

    Raises `InvalidInput` for an instrument there is not, or that is out of use.
    """
    in_use = _looked_up(transaction, conditions.used)
    said: list[str] = [words.overdue(each.instrument, on) for each in in_use if each.instrument.overdue(on)]
    shown = [_shown(each, unit, model, on, said) for each in in_use]
    corrected = readings
    corrections: list[Json] = []
    if conditions.temperature_c is not None:
        corrected, corrections = _at_reference(conditions, in_use, readings, lobes, unit, model, said)
    zeros = _zero_readings(in_use, said)
    record: Json = {
        "measured_by": conditions.measured_by or by,
        "temperature_c": _text(conditions.temperature_c),
        "shaft_temperature_c": _text(_shaft_c(conditions)),
        "metal": conditions.metal.value,
        "instruments": shown,
        "corrections": corrections,
        "messages": said,
    }
    return Settled((*corrected, *zeros), record, bench_advice(record))


def bench_advice(record: Json | None) -> tuple[Advice, ...]:
    """What an answer that rests on a measurement has to say of its record: which instruments were overdue."""
    late = [each for each in (record or {}).get("instruments", ()) if each["overdue"]]
    return tuple(Advice(OVERDUE, words.overdue_in_short(each["name"], each["kind"], each["due_on"])) for each in late)


def at_reference(sent: SentSheet, record: Json | None) -> SentSheet:
    """Lift tables at 20 °C where their record says that it matters: lifts and base circles of the lobes named there."""
    named = {row["reading"] for row in (record or {}).get("corrections", ())}
    if record is None or not named:
        return sent
    correction = to_reference(
        float(record["temperature_c"]), float(record["shaft_temperature_c"]), Metal(record["metal"])
    )
    return replace(
        sent,
        lobes=tuple(
            replace(
                lobe,
                rows=tuple((angle, _scaled(lift, correction)) for angle, lift in lobe.rows)
                if _table_pointer(i) in named
                else lobe.rows,
                base_circle=_scaled(lobe.base_circle, correction)
                if lobe.base_circle is not None and _base_pointer(i) in named
                else lobe.base_circle,
            )
            for i, lobe in enumerate(sent.lobes)
        ),
    )


def _table_pointer(lobe: int) -> str:
    return f"/lobes/{lobe}/table"


def _base_pointer(lobe: int) -> str:
    return f"/lobes/{lobe}/base_circle"


def _scaled(length: Decimal, correction: ThermalCorrection) -> Decimal:
    """A length at 20 °C, with three more digits than it was written with, so that steps stay steps."""
    exponent = length.as_tuple().exponent
    decimals = -exponent if isinstance(exponent, int) else 0
    return round(length * (1 + Decimal(correction.per_mm)), max(decimals, 0) + 3)


def taken_with(reading: Reading, instrument: Instrument | None) -> Reading:
    """The reading with the tool of all, where it names none and can be taken with that."""
    if reading.instrument is not None or instrument is None or instrument not in TOOLS_FOR[reading.feature]:
        return reading
    return replace(reading, instrument=instrument)


def _looked_up(transaction: Transaction, used: Sequence[Used]) -> tuple[_InUse, ...]:
    found: list[_InUse] = []
    faults: list[Fault] = []
    for i, each in enumerate(used):
        pointer = f"/bench/instruments/{i}/instrument"
        instrument = transaction.instruments.find(each.instrument_id)
        if instrument is None:
            faults.append(Fault(pointer, "There is no such instrument."))
        elif instrument.retired:
            faults.append(Fault(pointer, f"{instrument.name} is out of use."))
        elif each.instrument_id in [other.instrument.id for other in found]:
            faults.append(Fault(pointer, f"{instrument.name} is named twice."))
        else:
            found.append(_InUse(each, instrument))
    if faults:
        raise InvalidInput(faults=tuple(faults))
    return tuple(found)


def _shown(each: _InUse, unit: LengthUnit, model: MeasuringModel, on: date, said: list[str]) -> Json:
    instrument, used = each.instrument, each.used
    calibration, drift = instrument.calibration, used.drift
    allowed = None
    if drift is not None:
        step = float(instrument.resolution) if instrument.resolution_mm is None else instrument.resolution_mm
        limit = drift_allowed(instrument.kind, step, model)
        angular = instrument.kind in ANGULAR
        allowed = f"{limit:.1f}" if angular else unit.show(limit)
        drifted = abs(float(drift) if angular else unit.to_mm(drift)) > limit
        said.append(words.drift(instrument, drift, allowed, "degrees" if angular else unit.value, drifted=drifted))
    return {
        "id": str(instrument.id),
        "name": instrument.name,
        "serial": instrument.serial,
        "kind": instrument.kind.value,
        "calibrated_on": None if calibration is None else calibration.calibrated_on.isoformat(),
        "due_on": None if calibration is None else calibration.due_on.isoformat(),
        "overdue": instrument.overdue(on),
        "zero_before": None if used.zero_before is None else str(used.zero_before),
        "zero_after": None if used.zero_after is None else str(used.zero_after),
        "reference": _text(used.reference),
        "drift": _text(drift),
        "drift_allowed": allowed,
    }


def _zero_readings(in_use: Sequence[_InUse], said: list[str]) -> tuple[Reading, ...]:
    """Zero checks as readings: the engine takes the tool's zero out of what it read. One instrument of a kind alone."""
    found = []
    for each in in_use:
        kind = each.instrument.kind
        values = tuple(zero for zero in (each.used.zero_before, each.used.zero_after) if zero is not None)
        if not values or kind not in TOOLS_FOR[Feature.ZERO_CHECK]:
            continue
        if sum(other.instrument.kind is kind for other in in_use) > 1:
            said.append(words.zero_not_weighed(each.instrument))
            continue
        found.append(Reading(Feature.ZERO_CHECK, values, kind, reference=each.used.reference))
    return tuple(found)


def _at_reference(
    conditions: Conditions,
    in_use: Sequence[_InUse],
    readings: tuple[Reading, ...],
    lobes: tuple[SentLobe, ...],
    unit: LengthUnit,
    model: MeasuringModel,
    said: list[str],
) -> tuple[tuple[Reading, ...], list[Json]]:
    scale_c, shaft_c = conditions.temperature_c, _shaft_c(conditions)
    if scale_c is None or shaft_c is None:
        raise RuntimeError("there is no correction without a temperature")
    correction = to_reference(float(scale_c), float(shaft_c), conditions.metal)
    corrected, rows = [], []
    for i, reading in enumerate(readings):
        length_mm = unit.to_mm(reading.mean)
        step_mm = _step_mm(reading.instrument or TOOLS_FOR[reading.feature][0], in_use, unit, model)
        if reading.feature in _CORRECTED and correction.matters(length_mm, step_mm):
            at_reference = replace(reading, values=tuple(_corrected(w, correction, unit) for w in reading.values))
            corrected.append(at_reference)
            rows.append(
                {
                    "reading": f"/readings/{i}",
                    "as_read": [str(each) for each in reading.values],
                    "at_20_c": [str(each) for each in at_reference.values],
                    "standard_uncertainty": f"{unit.from_mm(correction.sd_per_mm * length_mm):.6f}",
                }
            )
        else:
            corrected.append(reading)
    if lobes:
        rows = _tables_at_reference(correction, in_use, lobes, unit, model)
        greatest = max((unit.to_mm(Decimal(row["as_read"][0])) for row in rows), default=0.0)
        said.append(words.warmth_of_tables(scale_c, shaft_c, correction, greatest))
    else:
        said.append(words.warmth(scale_c, shaft_c, correction, len(rows)))
    return tuple(corrected), rows


def _tables_at_reference(
    correction: ThermalCorrection,
    in_use: Sequence[_InUse],
    lobes: tuple[SentLobe, ...],
    unit: LengthUnit,
    model: MeasuringModel,
) -> list[Json]:
    """A row for each table, by its greatest lift, and for each base circle on which the correction can be seen."""
    rows = []
    for i, lobe in enumerate(lobes):
        lifts = [lift for _, lift in lobe.rows]
        measured = [(_table_pointer(i), Feature.LOBE_LIFT, max(lifts) - min(lifts))]
        if lobe.base_circle is not None:
            measured.append((_base_pointer(i), Feature.BASE_CIRCLE, lobe.base_circle))
        for pointer, feature, length in measured:
            kind = next((e.instrument.kind for e in in_use if e.instrument.kind in TOOLS_FOR[feature]), None)
            step_mm = _step_mm(kind or TOOLS_FOR[feature][0], in_use, unit, model)
            length_mm = unit.to_mm(length)
            if correction.matters(length_mm, step_mm):
                rows.append(
                    {
                        "reading": pointer,
                        "as_read": [str(length)],
                        "at_20_c": [str(_scaled(length, correction))],
                        "standard_uncertainty": f"{unit.from_mm(correction.sd_per_mm * length_mm):.6f}",
                    }
                )
    return rows


def _corrected(written: Written, correction: ThermalCorrection, unit: LengthUnit) -> Written:
    """A value at 20 °C, with one more digit than it was written with: the correction is known better than a step."""
    decimals = (unit.decimals if written.decimals is None else written.decimals) + 1
    value = written.value * (1 + Decimal(correction.per_mm))
    return Written(round(value, decimals), decimals)


def _step_mm(kind: Instrument, in_use: Sequence[_InUse], unit: LengthUnit, model: MeasuringModel) -> float:
    """The resolution of the one instrument of a kind that was named; else the finest step of its kind."""
    named = [each.instrument.resolution_mm for each in in_use if each.instrument.kind is kind]
    if len(named) == 1 and named[0] is not None:
        return named[0]
    return model.tools[kind].step(unit)


def _shaft_c(conditions: Conditions) -> Decimal | None:
    return conditions.temperature_c if conditions.shaft_temperature_c is None else conditions.shaft_temperature_c


def _text(value: Decimal | None) -> str | None:
    return None if value is None else format(value, "f")
