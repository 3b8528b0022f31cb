"""How the catalogue is asked for, and how it looks; `shown.py` builds it."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.domain.catalogue import PartStatus
from service.domain.readings import Instrument, LobeKind, Position
from service.domain.units import LengthUnit
from service.identification.look_alikes.look_alike_map import DEFAULT_KIT, Separator
from service.web.fields import AnswerSchema, DecimalText, Text
from service.web.replies import CURSOR_PATTERN, PageQuery

AS_STATED = "as_stated"


class UnitQuery(ma.Schema):
    """Which unit sizes come in."""

    unit = ma.fields.Enum(
        LengthUnit,
        by_value=True,
        load_default=None,
        metadata={"description": "Sizes in this unit; otherwise each in the unit it was stated in."},
    )


class CoresQuery(UnitQuery, PageQuery):
    """Which cores."""


class PartsQuery(UnitQuery, PageQuery):
    """Which parts."""

    core = Text(longest=40, load_default=None, metadata={"description": "Only those on this core."})
    status = ma.fields.Enum(
        PartStatus, by_value=True, load_default=None, metadata={"description": "Only those of this status."}
    )
    q = Text(longest=60, load_default=None, metadata={"description": "How the part number begins, capitals or not."})


_TOOL = f"({'|'.join(Instrument)})"
_TOOLS = f"^{_TOOL}(,{_TOOL})*$"


class LookAlikesQuery(PageQuery):
    """Which look-alikes: those that these tools cannot tell apart."""

    tools = ma.fields.String(
        load_default=",".join(sorted(DEFAULT_KIT.tools)),
        validate=ma.validate.Regexp(_TOOLS, error=f"Name one or more of {', '.join(Instrument)}, parted by commas."),
        metadata={"description": "The tools at hand, parted by commas; a digital caliper where none is named."},
    )
    error_rate = ma.fields.Float(
        load_default=DEFAULT_KIT.error_rate,
        validate=ma.validate.Range(min=0.001, max=0.4),
        metadata={"description": "The chance of a wrong guess between two from which they count as alike."},
    )
    unit = ma.fields.Enum(LengthUnit, by_value=True, load_default=LengthUnit.INCH)


class RevisionsQuery(PageQuery):
    """Which revisions."""


class ImportQuery(ma.Schema):
    """What goes with an import."""

    reason = Text(longest=500, load_default="", metadata={"description": "Why there is a new revision; kept with it."})
    dry_run = ma.fields.String(
        load_default="false",
        validate=ma.validate.OneOf(["true", "false"]),
        metadata={"description": "Only check and report: nothing is changed."},
    )
    unit = ma.fields.Enum(
        LengthUnit, by_value=True, load_default=LengthUnit.INCH, metadata={"description": "Unit of the report."}
    )


def _size(description: str, **options: Any) -> DecimalText:
    return DecimalText(metadata={"description": description}, **options)


def _maybe(description: str) -> DecimalText:
    return _size(description, required=True, allow_none=True)


_UNIT = ma.fields.Enum(LengthUnit, by_value=True, required=True, metadata={"description": "Unit of the sizes in here."})
_REVISION = ma.fields.Integer(required=True, metadata={"description": "The catalogue revision this comes from."})


class JournalShownSchema(AnswerSchema):
    """One bearing surface."""

    position = ma.fields.Enum(Position, by_value=True, required=True)
    diameter = _size("Nominal diameter.", required=True)
    minus = _size("How far below it may lie, where stated.")
    plus = _size("How far above it may lie, where stated.")


class CoreSchema(AnswerSchema):
    """A casting or billet before grinding."""

    code = ma.fields.String(required=True)
    name = ma.fields.String(required=True)
    unit = _UNIT
    engine_families = ma.fields.List(ma.fields.String(), required=True)
    gear_teeth = ma.fields.Integer(required=True, allow_none=True)
    overall_length = _maybe("End to end.")
    journals = ma.fields.List(ma.fields.Nested(JournalShownSchema()), required=True)


class LimitsShownSchema(AnswerSchema):
    """Limits, as distances from the nominal."""

    minus = _size("How far below.", required=True)
    plus = _size("How far above.", required=True)


class TolerancesShownSchema(AnswerSchema):
    """Limits of a lobe's sizes, where stated."""

    lift = ma.fields.Nested(LimitsShownSchema())
    base_circle = ma.fields.Nested(LimitsShownSchema())


class DurationShownSchema(AnswerSchema):
    """Crank degrees above a checking lift at the lobe."""

    checking_lift = _size("At the lobe.", required=True)
    crank_degrees = _size("Of the crankshaft.", required=True)


class LobeShownSchema(AnswerSchema):
    """What one kind of lobe is ground to."""

    lift = _size("Lobe lift.", required=True)
    base_circle = _size("Base circle diameter.", required=True)
    lash = _maybe("At the valve.")
    rocker_ratio = _maybe("Valve lift over lobe lift.")
    tolerances = ma.fields.Nested(TolerancesShownSchema(), required=True)
    durations = ma.fields.List(ma.fields.Nested(DurationShownSchema()), required=True)
    lift_table = ma.fields.Dict(
        metadata={"description": "`follower`, `angle` and `table`, as it was imported; angles in cam degrees."}
    )


LobesShownSchema = AnswerSchema.from_dict(
    {kind.value: ma.fields.Nested(LobeShownSchema()) for kind in LobeKind}, name="LobesShownSchema"
)


class PartFields(AnswerSchema):
    """A grind on a core."""

    part_number = ma.fields.String(required=True)
    core = ma.fields.String(required=True)
    unit = _UNIT
    title = ma.fields.String(required=True)
    status = ma.fields.Enum(PartStatus, by_value=True, required=True)
    superseded_by = ma.fields.String(required=True, allow_none=True)
    units_sold = ma.fields.Integer(required=True, allow_none=True)
    lobe_separation = _maybe("Cam degrees.")
    lobes = ma.fields.Nested(LobesShownSchema(), required=True)


class PartSchema(PartFields):
    """A grind on a core, of the active revision."""

    catalogue_revision = _REVISION


class PageFields(AnswerSchema):
    """One page of a list of one revision."""

    catalogue_revision = _REVISION
    unit = ma.fields.String(
        required=True,
        validate=ma.validate.OneOf([*LengthUnit, AS_STATED]),
        metadata={"description": "Unit of all sizes, or `as_stated` where each item states its own."},
    )
    next_cursor = ma.fields.String(
        required=True,
        allow_none=True,
        validate=ma.validate.Regexp(CURSOR_PATTERN),
        metadata={"description": "Where the next page begins; null at the end."},
    )


class PartPageSchema(PageFields):
    """A page of parts, in the supplier's order."""

    items = ma.fields.List(ma.fields.Nested(PartFields()), required=True)


class CorePageSchema(PageFields):
    """A page of cores, in the supplier's order."""

    items = ma.fields.List(ma.fields.Nested(CoreSchema()), required=True)


class ApartSchema(AnswerSchema):
    """By how much two look-alikes differ in what separates them."""

    value = _size("How much.", required=True)
    unit = ma.fields.String(
        required=True, validate=ma.validate.OneOf([*LengthUnit, "teeth", "crank_degrees", "cam_degrees"])
    )


class LookAlikeSchema(AnswerSchema):
    """Two grinds that the kit's first readings cannot tell apart, and the cheapest thing that can."""

    part_number = ma.fields.String(required=True)
    other = ma.fields.String(required=True)
    core = ma.fields.String(required=True)
    other_core = ma.fields.String(required=True)
    sizes_apart = _size("Largest difference between their lifts and base circles.", required=True)
    separated_by = ma.fields.Enum(
        Separator,
        by_value=True,
        required=True,
        metadata={
            "description": "`bench`: no one reading at home, the shaft is to be sent in; `nothing`: nothing stated."
        },
    )
    difference = ma.fields.Nested(ApartSchema(), required=True, allow_none=True)
    where = ma.fields.String(
        required=True, allow_none=True, metadata={"description": "The lobe or journal to read, if there is one."}
    )
    wrong_guesses = ma.fields.Float(
        required=True,
        metadata={"description": "Chance of taking one for the other from journals, heights and base circles alone."},
    )
    wrong_guesses_then = ma.fields.Float(
        required=True, metadata={"description": "The same with what separates them read too."}
    )
    in_kit = ma.fields.Boolean(required=True, metadata={"description": "Whether the tools named can take that."})


class LookAlikePageSchema(PageFields):
    """A page of look-alikes, in the order of the catalogue's parts."""

    items = ma.fields.List(ma.fields.Nested(LookAlikeSchema()), required=True)


class RevisionSchema(AnswerSchema):
    """One import of the catalogue."""

    revision = ma.fields.Integer(required=True)
    state = ma.fields.String(required=True, validate=ma.validate.OneOf(["active", "retired"]))
    made_by = ma.fields.String(required=True)
    reason = ma.fields.String(required=True)
    made_at = ma.fields.DateTime(required=True)
    cores = ma.fields.Integer(required=True)
    parts = ma.fields.Integer(required=True)


class RevisionPageSchema(AnswerSchema):
    """A page of revisions, newest first."""

    items = ma.fields.List(ma.fields.Nested(RevisionSchema()), required=True)
    next_cursor = ma.fields.String(required=True, allow_none=True, validate=ma.validate.Regexp(CURSOR_PATTERN))


class WarningSchema(AnswerSchema):
    """Something doubtful."""

    pointer = ma.fields.String(required=True, metadata={"description": "JSON Pointer into what was sent."})
    detail = ma.fields.String(required=True)


class ImportReportSchema(AnswerSchema):
    """What an import brought, or would bring."""

    revision = ma.fields.Integer(
        required=True,
        allow_none=True,
        metadata={"description": "The active revision from now on; null for a dry run."},
    )
    made = ma.fields.Boolean(
        required=True,
        metadata={
            "description": "Whether that is a new one: not where nothing differs from the one that was active, digit "
            "for digit and in the same order."
        },
    )
    unit = _UNIT
    cores = ma.fields.Integer(required=True)
    parts = ma.fields.Integer(required=True)
    lift_tables = ma.fields.Integer(required=True)
    look_alike_pairs = ma.fields.Integer(required=True)
    look_alikes = ma.fields.List(
        ma.fields.Nested(LookAlikeSchema()),
        required=True,
        metadata={"description": "The first hundred; all of them at `/v1/catalogue/look-alikes`."},
    )
    warning_count = ma.fields.Integer(required=True)
    warnings = ma.fields.List(
        ma.fields.Nested(WarningSchema()),
        required=True,
        metadata={"description": "What is probably wrong, though it can be taken: the first hundred."},
    )
