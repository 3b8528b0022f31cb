"""A whole catalogue as it is sent: documented here, read and checked by `catalogue_files`."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.catalogue_files import Checked, check_json
from service.domain.catalogue import FollowerKind, PartStatus
from service.domain.readings import Degrees, LobeKind, Position
from service.domain.units import LengthUnit

LINE_OF_TEXT = r"^[^\u0000-\u001f\u007f]*$"

_DECIMAL = r"^(?:[0-9]{1,6}(?:\.[0-9]{0,8})?|\.[0-9]{1,8})$"
_SIGNED = r"^-?(?:[0-9]{1,6}(?:\.[0-9]{0,8})?|\.[0-9]{1,8})$"


def _text(description: str, longest: int, **options: Any) -> ma.fields.String:
    validate = [
        ma.validate.Length(min=1 if options.get("required") else 0, max=longest),
        ma.validate.Regexp(LINE_OF_TEXT),
    ]
    return ma.fields.String(validate=validate, metadata={"description": description}, **_optional(options))


def _decimal(description: str, *, pattern: str = _DECIMAL, **options: Any) -> ma.fields.Raw:
    smallest = -1_000_000 if pattern is _SIGNED else 0
    number = {"type": "number", "exclusiveMaximum": 1_000_000, "minimum": smallest}
    shapes = [number, {"type": "string", "pattern": pattern}]
    if not options.get("required"):
        shapes.append({"type": "null"})
    return ma.fields.Raw(
        metadata={"description": description, "anyOf": shapes}, required=options.get("required", False)
    )


def _whole(description: str, least: int, most: int) -> ma.fields.Integer:
    return ma.fields.Integer(
        validate=ma.validate.Range(least, most), allow_none=True, metadata={"description": description}
    )


def _choice(choices: Any, description: str, **options: Any) -> ma.fields.Enum[Any]:
    return ma.fields.Enum(choices, by_value=True, metadata={"description": description}, **_optional(options))


def _optional(options: dict[str, Any]) -> dict[str, Any]:
    return options if options.get("required") else options | {"allow_none": True}


def _unit() -> ma.fields.Enum[LengthUnit]:
    return _choice(LengthUnit, "Unit of the sizes in here, where it is not the whole catalogue's.")


class JournalStatedSchema(ma.Schema):
    """One bearing surface; limits both or neither, as distances from the diameter."""

    position = _choice(Position, "Counted from the gear end as the front.", required=True)
    diameter = _decimal("Nominal diameter.", required=True)
    minus = _decimal("How far below it may lie.")
    plus = _decimal("How far above it may lie.")


class CoreStatedSchema(ma.Schema):
    """A casting or billet before grinding."""

    code = _text("Unique.", 40, required=True)
    name = _text("For people.", 200, required=True)
    unit = _unit()
    engine_families = ma.fields.List(
        ma.fields.String(validate=[ma.validate.Length(min=1, max=100), ma.validate.Regexp(LINE_OF_TEXT)]),
        allow_none=True,
        metadata={"description": "What it fits."},
    )
    gear_teeth = _whole("Teeth of its gear.", 4, 400)
    overall_length = _decimal("End to end.")
    journals = ma.fields.List(
        ma.fields.Nested(JournalStatedSchema()), required=True, validate=ma.validate.Length(min=1)
    )


class LimitsSchema(ma.Schema):
    """Both or neither, as distances from the nominal."""

    minus = _decimal("How far below the nominal.")
    plus = _decimal("How far above it.")


class TolerancesSchema(ma.Schema):
    """Limits of a lobe's sizes."""

    lift = ma.fields.Nested(LimitsSchema(), allow_none=True)
    base_circle = ma.fields.Nested(LimitsSchema(), allow_none=True)


class DurationStatedSchema(ma.Schema):
    """Crank degrees above a checking lift at the lobe."""

    checking_lift = _decimal("At the lobe.", required=True)
    crank_degrees = _decimal("Below 720.", required=True)


class FollowerSchema(ma.Schema):
    """What the lifts are those of."""

    kind = _choice(FollowerKind, "What rides on the lobe.", required=True)
    radius = _decimal("Of a roller, and only of one.")


class LiftTableStatedSchema(ma.Schema):
    """Lift against angle; angle 0 is the nose and carries the stated lift."""

    follower = ma.fields.Nested(FollowerSchema(), required=True)
    angle = _choice(Degrees, "Whose degrees the angles are; the cam's where nothing is said.")
    table = ma.fields.List(
        ma.fields.List(
            _decimal("Angle, then lift.", pattern=_SIGNED, required=True), validate=ma.validate.Length(equal=2)
        ),
        required=True,
        validate=ma.validate.Length(min=2, max=1500),
        metadata={"description": "Pairs of angle and lift, angles rising."},
    )


class LobeStatedSchema(ma.Schema):
    """What one kind of lobe is ground to."""

    lift = _decimal("Lobe lift.", required=True)
    base_circle = _decimal("Base circle diameter, more than the lift.", required=True)
    lash = _decimal("At the valve.")
    rocker_ratio = _decimal("Valve lift over lobe lift.")
    tolerances = ma.fields.Nested(TolerancesSchema(), allow_none=True)
    durations = ma.fields.List(
        ma.fields.Nested(DurationStatedSchema()),
        allow_none=True,
        metadata={"description": "They must fall as the checking lift rises."},
    )
    lift_table = ma.fields.Nested(LiftTableStatedSchema(), allow_none=True)


LobesStatedSchema = ma.Schema.from_dict(
    {kind.value: ma.fields.Nested(LobeStatedSchema(), allow_none=True) for kind in LobeKind}, name="LobesStatedSchema"
)


class PartStatedSchema(ma.Schema):
    """A grind on a core; it has at least one kind of lobe."""

    part_number = _text("Unique.", 60, required=True)
    core = _text("A core's code.", 40, required=True)
    unit = _unit()
    title = _text("For people.", 300)
    status = _choice(PartStatus, "Whether it is sold.")
    superseded_by = _text("The part number that replaces it.", 60)
    units_sold = _whole("How many of them are out there.", 0, 2_000_000_000)
    lobe_separation = _decimal("Cam degrees, below 360.")
    lobes = ma.fields.Nested(LobesStatedSchema(), required=True)


class CatalogueUploadSchema(ma.Schema):
    """A whole catalogue: it replaces the one there is."""

    unit = _choice(LengthUnit, "Unit of all sizes whose core or part states none; inches where nothing is said.")
    note = _text("For people; not kept.", 2000)
    cores = ma.fields.List(ma.fields.Nested(CoreStatedSchema()), required=True, validate=ma.validate.Length(min=1))
    parts = ma.fields.List(ma.fields.Nested(PartStatedSchema()), required=True, validate=ma.validate.Length(min=1))

    def load(self, data: Any, **_: Any) -> Checked:
        """Read the catalogue; raises `CatalogueFaults` naming everything wrong with it."""
        checked = check_json(data)
        checked.taken()
        return checked


EXAMPLE: dict[str, Any] = {
    "unit": "in",
    "cores": [
        {
            "code": "EX",
            "name": "Invented core",
            "engine_families": ["Invented family"],
            "gear_teeth": 28,
            "overall_length": "5.120",
            "journals": [{"position": "front", "diameter": "0.7500", "minus": "0.0005", "plus": "0"}],
        }
    ],
    "parts": [
        {
            "part_number": "INVENTED-1",
            "core": "EX",
            "title": "Invented grind",
            "status": "current",
            "units_sold": 120,
            "lobe_separation": "108",
            "lobes": {
                "intake": {
                    "lift": "0.3130",
                    "base_circle": "0.8610",
                    "lash": "0.006",
                    "tolerances": {"lift": {"minus": "0.001", "plus": "0.001"}},
                    "durations": [{"checking_lift": "0.050", "crank_degrees": "232"}],
                },
                "exhaust": {"lift": "0.3130", "base_circle": "0.8610"},
            },
        }
    ],
}
"""Invented: a catalogue of one part."""
