"""How one reading is sent: a schema a feature, so that each says which qualifiers it needs and refuses the rest."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import marshmallow as ma

from service.domain.readings import (
    DEFAULT_INCLUDED_ANGLE,
    MOST_REPEATS,
    TOOLS_FOR,
    At,
    Degrees,
    Event,
    Feature,
    Instrument,
    LobeKind,
    Position,
    Reading,
)
from service.web.fields import Amount, Choice, PlainAmount, Variant, Whole

MOST_CYLINDERS = 16

FieldMaker = Callable[[], ma.fields.Field[Any]]


def _choice(kind: type[Any], description: str, *, required: bool = True) -> FieldMaker:
    return lambda: Choice(kind, required=required, metadata={"description": description})


def _amount(description: str, *, digits: int = 5, sign: str = "positive", required: bool = True) -> FieldMaker:
    return lambda: PlainAmount(digits=digits, sign=sign, required=required, metadata={"description": description})


def _cylinder() -> ma.fields.Field[Any]:
    return Whole(least=1, most=MOST_CYLINDERS, metadata={"description": "Counted from the front, from 1."})


_LOBE = {"lobe": _choice(LobeKind, "Which lobe."), "cylinder": _cylinder}
_AT = _choice(At, "Where the checking lift is measured.")
_CHECKING_LIFT = _amount("The lift at which the angle was read, in the submission's unit.")

QUALIFIERS: dict[Feature, dict[str, FieldMaker]] = {
    Feature.JOURNAL_DIAMETER: {"position": _choice(Position, "Which journal, counted from the gear end.")},
    Feature.LOBE_HEIGHT: _LOBE,
    Feature.BASE_CIRCLE: _LOBE,
    Feature.FLANK_WIDTH: {
        **_LOBE,
        "included_angle": _amount("Degrees between the two positions; 90 if left out.", digits=2, required=False),
        "flank": lambda: ma.fields.String(
            validate=ma.validate.OneOf(["opening", "closing"]),
            metadata={"description": "Which flank; left out for the mean of both."},
        ),
    },
    Feature.LOBE_LIFT: _LOBE,
    Feature.VALVE_LIFT: {
        **_LOBE,
        "rocker_ratio": _amount("Valve lift over lobe lift.", digits=1),
        "lash": _amount(
            "Lash at the valve, in the submission's unit; 0 when the lift is gross.",
            digits=2,
            sign="not_negative",
            required=False,
        ),
    },
    Feature.DURATION: {
        **_LOBE,
        "checking_lift": _CHECKING_LIFT,
        "degrees": _choice(Degrees, "Whose degrees."),
        "at": _AT,
    },
    Feature.VALVE_EVENT: {
        "event": _choice(Event, "Which moment; degrees after top dead centre, negative before."),
        "checking_lift": _CHECKING_LIFT,
        "at": _AT,
        "cylinder": _cylinder,
    },
    Feature.LOBE_SEPARATION: {"cylinder": _cylinder},
    Feature.OVERALL_LENGTH: {},
    Feature.ZERO_CHECK: {"reference": _amount("The true size of the gauge, 0 for closed jaws.", sign="not_negative")},
}
"""What must and may be said of a reading beside its values and its tool."""

_SIGNED = (Feature.ZERO_CHECK, Feature.VALVE_EVENT)


class _ReadingSchema(ma.Schema):
    """One reading of one feature; subclasses are made from `QUALIFIERS`."""

    class Meta:
        """Nothing that is not of the feature."""

        unknown = ma.RAISE

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> Reading:
        """The reading."""
        data["values"] = tuple(data["values"])
        data["feature"] = Feature(data["feature"])
        if "instrument" in data:
            data["instrument"] = Instrument(data["instrument"])
        if data["feature"] is Feature.FLANK_WIDTH:
            data["included_angle_deg"] = data.pop("included_angle", DEFAULT_INCLUDED_ANGLE)
        return Reading(**data)


def _schema_of(feature: Feature) -> ma.Schema:
    digits, unit = (3, "Degrees") if feature.is_angle else (5, "In the submission's unit")
    tools = [tool.value for tool in TOOLS_FOR[feature]]
    fields: dict[str, Any] = {
        "feature": ma.fields.String(required=True, validate=ma.validate.Equal(feature.value)),
        "values": ma.fields.List(
            Amount(digits=digits, sign="any" if feature in _SIGNED else "positive"),
            required=True,
            validate=ma.validate.Length(1, MOST_REPEATS),
            metadata={"description": f"The repeats as they were read. {unit}; text keeps its trailing zeros."},
        ),
        "instrument": ma.fields.String(
            validate=ma.validate.OneOf(tools),
            metadata={"description": f"If not the submission's. {tools[0]} is assumed where nobody says."},
        ),
    }
    fields |= {name: make() for name, make in QUALIFIERS[feature].items()}
    name = "".join(word.capitalize() for word in feature.value.split("_")) + "ReadingSchema"
    kind: type[ma.Schema] = type(name, (_ReadingSchema,), {"__doc__": f"A reading of {feature.value}.", **fields})
    return kind()


_SCHEMAS = {feature.value: _schema_of(feature) for feature in Feature}


def reading_field() -> Variant:
    """A field for one reading of any feature."""
    return Variant("feature", _SCHEMAS)
