"""How the bench's instruments and the conditions of a measurement are sent and shown."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.domain.bench import Calibration, Conditions, Metal, ScaleUnit, Used
from service.domain.readings import Instrument
from service.web.fields import Amount, AnswerSchema, Choice, Day, PlainAmount, Text
from service.workflows.ports.bench import NewInstrument

_LINE = r"^[^\u0000-\u001f\u007f]*[^\s\u0000-\u001f\u007f][^\u0000-\u001f\u007f]*$"

INSTRUMENT_EXAMPLE: dict[str, Any] = {
    "name": "M-03",
    "serial": "invented 20417",
    "kind": "outside_micrometer",
    "resolution": "0.0001",
    "scale": "in",
    "calibration": {"calibrated_on": "2026-03-02", "due_on": "2027-03-02", "by": "an invented laboratory"},
}
CALIBRATION_EXAMPLE: dict[str, Any] = {
    "calibrated_on": "2026-09-14",
    "due_on": "2027-09-14",
    "by": "an invented laboratory",
    "certificate": "C-118",
}


def _line(longest: int, description: str, **options: Any) -> Text:
    return Text(
        shortest=1,
        longest=longest,
        pattern=_LINE,
        refusal="Must be one line of text.",
        metadata={"description": description},
        **options,
    )


class NewCalibrationSchema(ma.Schema):
    """A calibration that was made."""

    calibrated_on = Day(required=True, metadata={"description": "Never in the future."})
    due_on = Day(required=True, metadata={"description": "Up to and with this day the instrument may be used."})
    by = _line(100, "Who calibrated it.", required=True)
    certificate = _line(100, "Its certificate's number.", load_default=None, allow_none=True)

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> Calibration:
        """The calibration."""
        return Calibration(**data)


class NewInstrumentSchema(ma.Schema):
    """A measuring instrument that comes to the bench."""

    name = _line(100, "What it is called in the house; unlike any other in use.", required=True)
    serial = _line(100, "Its maker's serial number.", load_default=None, allow_none=True)
    kind = Choice(Instrument, required=True, metadata={"description": "What it is; `bench` for a profiling bench."})
    resolution = PlainAmount(digits=2, required=True, metadata={"description": "The finest step it shows, in `scale`."})
    scale = Choice(ScaleUnit, required=True, metadata={"description": "What its scale is divided in."})
    calibration = ma.fields.Nested(
        NewCalibrationSchema(),
        load_default=None,
        allow_none=True,
        metadata={"description": "Its latest; left out, it counts as overdue until one is recorded."},
    )

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> tuple[NewInstrument, Calibration | None]:
        """The instrument and its calibration."""
        calibration = data.pop("calibration")
        return NewInstrument(**data), calibration


class RetirementSchema(ma.Schema):
    """Why an instrument is taken out of use."""

    reason = Text(shortest=1, longest=2000, required=True, metadata={"description": "For the house."})


class UsedSchema(ma.Schema):
    """An instrument as it was used."""

    instrument = ma.fields.UUID(required=True, metadata={"description": "Its id."})
    zero_before = Amount(
        digits=2, sign="any", metadata={"description": "What it read at its zero, or on `reference`, before."}
    )
    zero_after = Amount(digits=2, sign="any", metadata={"description": "The same afterwards."})
    reference = PlainAmount(
        digits=2, sign="not_negative", metadata={"description": "The true size of what was read; 0 for closed jaws."}
    )

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> Used:
        """The use."""
        return Used(instrument_id=data.pop("instrument"), **data)


class BenchConditionsSchema(ma.Schema):
    """What a bench says of its measuring. Zero checks are in the unit of the readings, or in degrees."""

    instruments = ma.fields.List(ma.fields.Nested(UsedSchema()), load_default=(), validate=ma.validate.Length(max=12))
    temperature = PlainAmount(
        digits=2,
        sign="any",
        metadata={"description": "°C, of the bench and its instruments. With it lengths are brought to 20 °C."},
    )
    shaft_temperature = PlainAmount(
        digits=2, sign="any", metadata={"description": "°C; left out, the shaft is as warm as the bench."}
    )
    metal = Choice(Metal, load_default=Metal.CAST_IRON, metadata={"description": "What the shaft is made of."})
    measured_by = _line(100, "Who measured, if not whose key it is.", load_default=None, allow_none=True)

    @ma.validates_schema
    def warm_together(self, data: dict[str, Any], **_: Any) -> None:
        """Refuse a shaft's temperature without the bench's: the correction is for both."""
        if "shaft_temperature" in data and "temperature" not in data:
            raise ma.ValidationError("Is needed beside the shaft's.", "temperature")

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> Conditions:
        """The conditions."""
        return Conditions(
            tuple(data["instruments"]),
            data.get("temperature"),
            data.get("shaft_temperature"),
            data["metal"],
            data["measured_by"],
        )


class CalibrationSchema(AnswerSchema):
    """A calibration."""

    calibrated_on = ma.fields.Date(required=True)
    due_on = ma.fields.Date(required=True)
    by = ma.fields.String(required=True)
    certificate = ma.fields.String(required=True, allow_none=True)


class KeptCalibrationSchema(CalibrationSchema):
    """A calibration, and who recorded it."""

    recorded_by = ma.fields.String(required=True)
    recorded_at = ma.fields.DateTime(required=True)


class InstrumentSchema(AnswerSchema):
    """A measuring instrument of the bench."""

    id = ma.fields.UUID(required=True)
    name = ma.fields.String(required=True)
    serial = ma.fields.String(required=True, allow_none=True)
    kind = Choice(Instrument, required=True)
    resolution = ma.fields.String(required=True)
    scale = Choice(ScaleUnit, required=True)
    calibration = ma.fields.Nested(
        CalibrationSchema(), required=True, allow_none=True, metadata={"description": "Its latest; null without."}
    )
    overdue = ma.fields.Boolean(
        required=True, metadata={"description": "Whether its calibration has run out today, or there is none."}
    )
    retired = ma.fields.Boolean(required=True, metadata={"description": "Whether it is out of use."})
    calibrations = ma.fields.List(
        ma.fields.Nested(KeptCalibrationSchema()), metadata={"description": "Every one, latest first."}
    )


class InstrumentPageSchema(AnswerSchema):
    """One page of instruments, in the order they came."""

    items = ma.fields.List(ma.fields.Nested(InstrumentSchema()), required=True)
    next_cursor = ma.fields.String(
        required=True, allow_none=True, metadata={"description": "Where the next page begins; null at the end."}
    )


class UsedInstrumentSchema(AnswerSchema):
    """An instrument as it stood on the day, and its zero checks as written."""

    id = ma.fields.UUID(required=True)
    name = ma.fields.String(required=True)
    serial = ma.fields.String(required=True, allow_none=True)
    kind = Choice(Instrument, required=True)
    calibrated_on = ma.fields.Date(required=True, allow_none=True)
    due_on = ma.fields.Date(required=True, allow_none=True)
    overdue = ma.fields.Boolean(required=True)
    zero_before = ma.fields.String(required=True, allow_none=True)
    zero_after = ma.fields.String(required=True, allow_none=True)
    reference = ma.fields.String(required=True, allow_none=True)
    drift = ma.fields.String(required=True, allow_none=True, metadata={"description": "After less before."})
    drift_allowed = ma.fields.String(
        required=True, allow_none=True, metadata={"description": "What two checks of a steady one may differ by."}
    )


class ThermalCorrectionSchema(AnswerSchema):
    """A reading that was brought to 20 °C, before and after."""

    reading = ma.fields.String(required=True, metadata={"description": "JSON Pointer into what was sent."})
    as_read = ma.fields.List(ma.fields.String(), required=True)
    at_20_c = ma.fields.List(ma.fields.String(), required=True)
    standard_uncertainty = ma.fields.String(required=True, metadata={"description": "Of the correction."})


class BenchRecordSchema(AnswerSchema):
    """What something was measured with, as it was recorded; never changed."""

    measured_by = ma.fields.String(required=True)
    temperature_c = ma.fields.String(required=True, allow_none=True)
    shaft_temperature_c = ma.fields.String(required=True, allow_none=True)
    metal = Choice(Metal, required=True)
    instruments = ma.fields.List(ma.fields.Nested(UsedInstrumentSchema()), required=True)
    corrections = ma.fields.List(ma.fields.Nested(ThermalCorrectionSchema()), required=True)
    messages = ma.fields.List(ma.fields.String(), required=True, metadata={"description": "What is said of it."})
