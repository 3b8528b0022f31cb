"""How cases are looked for, worked on and shown."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from typing import Any

import marshmallow as ma

from service.domain.casework import ClosedWhy, ConfirmationSource
from service.domain.review import Outcome
from service.web.api.lift_tables.kept import KeptTablesSchema
from service.web.api.reviews.schemas import (
    UUID_PATTERN,
    DecisionSchema,
    FoundCaseSchema,
    KeptDecisionSchema,
    NoteSchema,
    some_text,
    who_is_at_the_key,
)
from service.web.api.submissions.answer_schemas import AnswerToSubmissionSchema
from service.web.blueprint import BodyMayBeLeftOut
from service.web.fields import AnswerSchema, Choice, Day, Text, described
from service.web.replies import CURSOR_PATTERN, PageQuery


class YesOrNo(ma.fields.Field[bool]):
    """`true` or `false` in a query."""

    def __init__(self, **kwargs: Any) -> None:
        metadata = kwargs.pop("metadata", {})
        super().__init__(metadata={"type": "string", "pattern": "^(true|false)$"} | metadata, **kwargs)

    def _deserialize(self, value: Any, *_: Any, **__: Any) -> bool:
        if value not in ("true", "false"):
            raise ma.ValidationError("Must be true or false.")
        return bool(value == "true")


class CaseQuerySchema(PageQuery):
    """What is known of a case; all of it must fit."""

    reference = Text(longest=20, load_default=None, metadata=described("As it was read aloud; spaces do not matter."))
    name = Text(longest=200, load_default=None, metadata=described("Words of the customer's name, or how they begin."))
    email = Text(longest=254, load_default=None)
    phone = Text(longest=50, load_default=None, metadata=described("Its digits are compared."))
    part = Text(longest=100, load_default=None, metadata=described("What the readings point to, or a person decided."))
    opened_from = Day(load_default=None, metadata=described("The first day (UTC) it may have been opened on."))
    opened_to = Day(load_default=None, metadata=described("The last day (UTC)."))
    open = YesOrNo(load_default=None, metadata=described("Only those that are open, or that are closed."))
    left_half_done = YesOrNo(
        load_default=None, metadata=described("Only those whose caller was asked for a reading and has not come back.")
    )


def first_moment(query: dict[str, Any]) -> datetime | None:
    """The first moment of `opened_from`."""
    day = query["opened_from"]
    return None if day is None else datetime.combine(day, time(), UTC)


def moment_after(query: dict[str, Any]) -> datetime | None:
    """The first moment after `opened_to`."""
    day = query["opened_to"]
    return None if day is None else datetime.combine(day, time(), UTC) + timedelta(days=1)


class CasePageSchema(AnswerSchema):
    """One page of cases, newest first."""

    items = ma.fields.List(ma.fields.Nested(FoundCaseSchema()), required=True)
    next_cursor = ma.fields.String(required=True, allow_none=True, validate=ma.validate.Regexp(CURSOR_PATTERN))


class OverruleSchema(DecisionSchema):
    """What a person says in the place of the answer."""


class WhySchema(ma.Schema):
    """Why something is done."""

    person = who_is_at_the_key()
    reason = some_text("Kept as a note of the case.", required=True)


class CloseSchema(WhySchema):
    """Why a case is closed."""

    why = ma.fields.String(
        validate=ma.validate.OneOf([ClosedWhy.ANSWERED.value, ClosedWhy.WITHDRAWN.value]),
        load_default=ClosedWhy.ANSWERED.value,
        metadata=described("Answered, or the customer has gone back on it; what was withdrawn is not asked again."),
    )


class MergeSchema(WhySchema):
    """Which case takes this one in."""

    into = Text(
        longest=36,
        pattern=UUID_PATTERN,
        refusal="Must be the id of a case.",
        required=True,
        metadata=described("The case that goes on."),
    )


class OrderSchema(BodyMayBeLeftOut):
    """The order a case becomes."""

    person = who_is_at_the_key()
    part_number = some_text("The part; otherwise the one that was decided or identified.", 100)
    order_reference = some_text("The shop's own reference, if there is one yet.", 100)


class ConfirmationSchema(ma.Schema):
    """What the shaft turned out to be; `part_number` exactly when it is a part of the catalogue."""

    person = who_is_at_the_key()
    source = Choice(ConfirmationSource, required=True)
    outcome = ma.fields.String(
        required=True, validate=ma.validate.OneOf([Outcome.PART.value, Outcome.NOT_IN_CATALOGUE.value])
    )
    part_number = some_text("Superseded ones too.", 100, allow_none=True)
    note = some_text("For the desk alone.", allow_none=True)

    @ma.validates_schema
    def names_a_part_or_not(self, data: dict[str, Any], **_: Any) -> None:
        """Refuse a part without a number, and a number without a part."""
        if (data.get("part_number") is not None) != (data["outcome"] == Outcome.PART.value):
            raise ma.ValidationError("There is a part number exactly when the outcome is `part`.", "part_number")


class KeptConfirmationSchema(AnswerSchema):
    """What the shaft turned out to be."""

    id = ma.fields.UUID(required=True)
    source = Choice(ConfirmationSource, required=True)
    outcome = ma.fields.String(required=True)
    part_number = ma.fields.String(required=True, allow_none=True)
    note = ma.fields.String(required=True, allow_none=True)
    by = ma.fields.String(required=True)
    at = ma.fields.DateTime(required=True)


class RoundSchema(AnswerSchema):
    """One asking of the engine, and what it said then."""

    number = ma.fields.Integer(required=True)
    readings = ma.fields.Integer(required=True, metadata=described("How many there were by then."))
    state = ma.fields.String(required=True)
    leading_part = ma.fields.String(required=True, allow_none=True)
    probability = ma.fields.Float(required=True, allow_none=True)
    asked_for = ma.fields.String(required=True, allow_none=True, metadata=described("The reading asked for next."))
    engine_version = ma.fields.String(required=True)
    catalogue_revision = ma.fields.Integer(required=True)
    answered_at = ma.fields.DateTime(required=True)


class TrailEntrySchema(AnswerSchema):
    """One thing somebody saw or changed."""

    at = ma.fields.DateTime(required=True)
    who = ma.fields.String(required=True)
    action = ma.fields.String(required=True)
    submission_id = ma.fields.UUID(required=True, allow_none=True)
    details = ma.fields.Dict(required=True)


class CaseFileSchema(AnswerSchema):
    """All there is about one case."""

    id = ma.fields.UUID(required=True)
    reference = ma.fields.String(required=True)
    submission = ma.fields.Nested(AnswerToSubmissionSchema(), required=True)
    closed_at = ma.fields.DateTime(required=True, allow_none=True)
    closed_why = Choice(ClosedWhy, required=True, allow_none=True)
    merged_into = ma.fields.UUID(required=True, allow_none=True)
    order_reference = ma.fields.String(required=True, allow_none=True)
    rounds = ma.fields.List(ma.fields.Nested(RoundSchema()), required=True)
    decisions = ma.fields.List(ma.fields.Nested(KeptDecisionSchema()), required=True)
    notes = ma.fields.List(ma.fields.Nested(NoteSchema()), required=True)
    confirmations = ma.fields.List(ma.fields.Nested(KeptConfirmationSchema()), required=True)
    lift_tables = ma.fields.List(ma.fields.Nested(KeptTablesSchema()), required=True)
    trail = ma.fields.List(
        ma.fields.Nested(TrailEntrySchema()), required=True, metadata=described("Newest first, the last 200.")
    )


class OrderedSchema(AnswerSchema):
    """What goes out to the shop."""

    reference = ma.fields.String(required=True, metadata=described("The case's."))
    part_number = ma.fields.String(required=True)
    order_reference = ma.fields.String(required=True, allow_none=True)


class MergedSchema(AnswerSchema):
    """The case that goes on."""

    readings_added = ma.fields.Integer(required=True, metadata=described("How many were new to it."))
    submission = ma.fields.Nested(AnswerToSubmissionSchema(), required=True)
