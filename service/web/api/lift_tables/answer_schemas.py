"""How a lift table worked out looks, for the document; `answer.py` builds it."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.domain.readings import LobeKind
from service.domain.units import LengthUnit
from service.identification.bench.condition import Compared
from service.lobe.cleaning import CorrectionKind
from service.web.api.lift_tables.kept import KeptTablesSchema
from service.web.fields import AnswerSchema, Choice, DecimalText


def _decimal(description: str = "", **options: Any) -> DecimalText:
    metadata = {"description": description} if description else {}
    return DecimalText(required=True, metadata=metadata, **options)


def _part(schema: ma.Schema, description: str = "", **options: Any) -> ma.fields.Nested:
    metadata = {"description": description} if description else {}
    return ma.fields.Nested(schema, required=True, metadata=metadata, **options)


def _list_of(schema: ma.Schema, description: str = "", **options: Any) -> ma.fields.List[Any]:
    return ma.fields.List(
        ma.fields.Nested(schema),
        required=True,
        metadata={"description": description} if description else {},
        **options,
    )


def _messages(description: str) -> ma.fields.List[Any]:
    return ma.fields.List(ma.fields.String(), required=True, metadata={"description": description})


def _share(**options: Any) -> ma.fields.Float:
    return ma.fields.Float(required=True, validate=ma.validate.Range(0, 1), **options)


def _whole(description: str = "") -> ma.fields.Integer:
    return ma.fields.Integer(required=True, metadata={"description": description} if description else {})


class TableFigureSchema(AnswerSchema):
    """A value with its standard uncertainty, in one unit."""

    value = _decimal()
    standard_uncertainty = _decimal()


class AngleSchema(AnswerSchema):
    """An angle on the table's own scale, in its own degrees."""

    angle = _decimal()
    standard_uncertainty = _decimal()


class LobeDurationSchema(AnswerSchema):
    """How long the follower stands at or above a checking lift."""

    checking_lift = _decimal()
    crank_degrees = _decimal()
    standard_uncertainty = _decimal("Of the crank degrees.")
    opens = _part(AngleSchema())
    closes = _part(AngleSchema())


class TableCorrectionSchema(AnswerSchema):
    """One thing that was put right in a table; the table itself is kept as it came."""

    kind = Choice(CorrectionKind, required=True)
    size = _decimal("Its largest effect; of runout the indicator's whole swing over a turn.")
    standard_uncertainty = _decimal(allow_none=True)
    rows = ma.fields.List(
        ma.fields.Integer(), required=True, metadata={"description": "The rows it concerns, from 0; empty for all."}
    )
    message = ma.fields.String(required=True)


class SmoothingSchema(AnswerSchema):
    """How smooth the curve was made, chosen by restricted maximum likelihood."""

    noise = _decimal("Standard deviation of one reading about the curve.")
    effective_parameters = ma.fields.Float(required=True, metadata={"description": "What the shape is worth."})
    readings = _whole()
    readings_used = _whole("Wild readings and bumps left out.")


class ValveFiguresSchema(AnswerSchema):
    """What the valve does: lobe lift times ratio, less lash. Checking lifts are at the valve."""

    lift = _part(TableFigureSchema())
    durations = _list_of(LobeDurationSchema())


class CaliperSchema(AnswerSchema):
    """What a caliper turned round the lobe would read at most and at least."""

    height = _decimal()
    base_circle = _decimal()
    event_too_long = ma.fields.Boolean(
        required=True, metadata={"description": "The lobe lifts for half a turn: no width is the base circle."}
    )


class NoseLossSchema(AnswerSchema):
    """What is missing beside the part at one angle from the lobe's centre, cam degrees."""

    angle = _decimal()
    value = _decimal()
    standard_uncertainty = _decimal()


class LobeConditionSchema(AnswerSchema):
    """The lobe beside the part that leads. It is measured metal, never a verdict that a shaft may run."""

    part_number = ma.fields.String(required=True)
    nose_loss = _part(TableFigureSchema(), "Nominal less measured lift at the nose.")
    loss = _list_of(NoseLossSchema(), "Null where the part has no lift table.", allow_none=True)
    reground = ma.fields.Boolean(
        required=True, allow_none=True, metadata={"description": "Null where the base circle was not measured."}
    )
    undersize = _part(TableFigureSchema(), "Nominal less measured base circle.", allow_none=True)
    runout = _decimal("Once-per-turn swing on the base circle.", allow_none=True)
    messages = _messages("The same in words.")


class LobeFiguresSchema(AnswerSchema):
    """One lobe's figures, under the follower that read it."""

    lobe = Choice(LobeKind, required=True)
    cylinder = _whole()
    lift = _part(TableFigureSchema(), "Lobe lift.")
    durations = _list_of(LobeDurationSchema(), "A checking lift above the lobe's is left out.")
    centre = _part(AngleSchema(), "Mean of the middles of chords of equal lift, a fifth to four fifths of it.")
    centre_by_least_squares = _part(AngleSchema(), "About which the lobe is nearest its own mirror image.")
    nose = _part(AngleSchema(), "Where lift is greatest.")
    area = _part(TableFigureSchema(), "Under the curve: the unit times crank degrees.")
    opening_ramp = _part(TableFigureSchema(), "Cam degrees from 0.006 to 0.020 in.", allow_none=True)
    closing_ramp = _part(TableFigureSchema(), "Cam degrees from 0.020 to 0.006 in.", allow_none=True)
    asymmetry = _part(
        TableFigureSchema(),
        "Cam degrees the middle of the chord moves from nine tenths of the lift to 0.050 in; above 0 where the "
        "closing side is the slower.",
        allow_none=True,
    )
    valve = _part(ValveFiguresSchema(), "Null without a rocker ratio.", allow_none=True)
    caliper = _part(CaliperSchema(), "Null without a base circle.", allow_none=True)
    corrections = _list_of(TableCorrectionSchema())
    smoothing = _part(SmoothingSchema())
    advice = _messages("What a person should know before trusting the rest.")
    condition = _part(LobeConditionSchema(), "Null where no part leads.", allow_none=True)


class CylinderFigureSchema(TableFigureSchema):
    """A figure of one cylinder."""

    cylinder = _whole()


class OverlapSchema(CylinderFigureSchema):
    """Crank degrees for which both lobes of a cylinder stand above a checking lift."""

    checking_lift = _decimal()


class LobeNameSchema(AnswerSchema):
    """A lobe by name."""

    lobe = Choice(LobeKind, required=True)
    cylinder = _whole()


class ShaftSchema(AnswerSchema):
    """Lobes that were read on one index."""

    separations = _list_of(CylinderFigureSchema(), "Cam degrees between the lobe centres of a cylinder.")
    overlaps = _list_of(OverlapSchema(), "At the lobe.")
    order = _list_of(LobeNameSchema(), "As the centres come while the shaft turns.")
    steps = _list_of(TableFigureSchema(), "Cam degrees from each lobe of `order` to the next, the last to the first.")


class LobeDifferenceSchema(AnswerSchema):
    """A lobe that measuring and making do not make as unlike the others of its kind as it is."""

    lobe = Choice(LobeKind, required=True)
    cylinder = _whole("Counted from the front, from 1.")
    by = Choice(Compared, required=True)
    others = ma.fields.List(
        ma.fields.Integer(), required=True, metadata={"description": "The cylinders compared with."}
    )
    difference = _part(TableFigureSchema(), "Above 0 where it is larger than their mean.")
    message = ma.fields.String(required=True)


class TableCandidateSchema(AnswerSchema):
    """One grind on one core, and how likely its lift tables alone make it."""

    part_number = ma.fields.String(required=True)
    same_as = ma.fields.List(ma.fields.String(), required=True)
    core = ma.fields.String(required=True)
    probability = _share()


class WorkedOutSchema(AnswerSchema):
    """Lift tables worked out."""

    unit = Choice(LengthUnit, required=True)
    lobes = _list_of(LobeFiguresSchema(), "In the order they were sent.")
    lobe_separation = _part(
        TableFigureSchema(), "Cam degrees, of the first cylinder with both lobes; null without.", allow_none=True
    )
    lobe_differences = _list_of(LobeDifferenceSchema(), "Empty where no lobe is unlike the others of its kind.")
    shaft = _part(ShaftSchema(), "Null for a single lobe.", allow_none=True)
    candidates = _list_of(TableCandidateSchema(), "Best first; empty where the lobes cannot be compared.")
    not_in_catalogue_probability = _share(allow_none=True)
    catalogue_revision = ma.fields.Integer(required=True, allow_none=True)
    cautions = _messages("To go with every answer.")


class KeptWorkedOutSchema(WorkedOutSchema):
    """Kept lift tables worked out under the present catalogue."""

    kept = _part(KeptTablesSchema(), "Whose they are.")
    sent = ma.fields.Dict(
        required=True, metadata={"description": "The tables as they were sent, in the form of the request."}
    )
