"""How a submission, and an addition to one, is sent: shapes, ranges and units."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.domain.readings import (
    MOST_READINGS,
    Condition,
    Contact,
    Experience,
    Instrument,
    Marking,
    Source,
    Submission,
)
from service.domain.units import LengthUnit
from service.web.api.submissions.reading_schemas import reading_field
from service.web.fields import Choice, Flag, Text, Whole, described
from service.workflows.identifying.identify import Addition

_EMAIL = r"^[^@ \u0000-\u001f]+@[^@ \u0000-\u001f]+$"


class CountsSchema(ma.Schema):
    """What was counted on the shaft."""

    gear_teeth = Whole(least=1, most=500, metadata=described("Teeth of the gear."))


class MarkingSchema(ma.Schema):
    """A number or sign cast, stamped or etched on the shaft: kept for the desk, never evidence."""

    place = Text(shortest=1, longest=100, required=True, metadata=described("Where on the shaft."))
    text = Text(shortest=1, longest=200, required=True, metadata=described("What it says."))

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> Marking:
        """The marking."""
        return Marking(**data)


class ContactSchema(ma.Schema):
    """Whom to answer."""

    name = Text(shortest=1, longest=200)
    email = Text(longest=254, pattern=_EMAIL, refusal="Must be an e-mail address: something@somewhere.")
    phone = Text(shortest=1, longest=50)

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> Contact:
        """The contact."""
        return Contact(**data)


def _readings(*, required: bool) -> ma.fields.List[Any]:
    return ma.fields.List(
        reading_field(),
        required=required,
        validate=ma.validate.Length(1, MOST_READINGS, error=f"Must hold 1 to {MOST_READINGS} readings."),
        metadata=described("In any order; evidence points into this list by place."),
    )


def _markings() -> ma.fields.List[Any]:
    return ma.fields.List(ma.fields.Nested(MarkingSchema()), validate=ma.validate.Length(max=20))


class SaidOnceSchema(ma.Schema):
    """What is said once of a shaft and its caller; said later, it takes the place of what was said before."""

    experience = Choice(Experience, allow_none=True)
    condition = Choice(Condition, allow_none=True)
    engine_family = Text(
        shortest=1, longest=100, allow_none=True, metadata=described("What the caller believes it is from.")
    )
    counts = ma.fields.Nested(CountsSchema(), allow_none=True)
    tools = ma.fields.List(
        Choice(Instrument),
        allow_none=True,
        validate=ma.validate.Length(max=len(Instrument)),
        metadata=described("What the caller has to measure with; decides what is asked for next."),
    )
    contact = ma.fields.Nested(ContactSchema(), allow_none=True)
    note = Text(longest=4000, allow_none=True)


class SubmissionSchema(SaidOnceSchema):
    """Everything a caller has to say of one shaft."""

    source = Choice(Source, required=True, metadata=described("How it reached the desk."))
    unit = Choice(LengthUnit, required=True, metadata=described("Of every length here."))
    readings = _readings(required=True)
    instrument = Choice(
        Instrument,
        allow_none=True,
        metadata=described("The tool of every reading it can take, unless a reading names its own."),
    )
    markings = _markings()
    ask_person = Flag(metadata=described("Put it before a person whatever the answer."))

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> Submission:
        """The submission."""
        counts = data.pop("counts", None) or {}
        tools = data.pop("tools", None)
        return Submission(
            readings=tuple(data.pop("readings")),
            markings=tuple(data.pop("markings", ())),
            tools=None if tools is None else tuple(tools),
            gear_teeth=counts.get("gear_teeth"),
            **data,
        )


class AdditionSchema(SaidOnceSchema):
    """What a caller has to add: more readings, or whatever else turned up. At least one member."""

    readings = _readings(required=False)
    unit = Choice(LengthUnit, metadata=described("Must be the submission's; left out, it is taken to be."))
    markings = _markings()
    ask_person = Flag(metadata=described("Put it before a person whatever the answer."))

    class Meta:
        """`readings` may be left out only where something else is added."""

        unknown = ma.RAISE

    @ma.validates_schema
    def adds_something(self, data: dict[str, Any], **_: Any) -> None:
        """Refuse an addition of nothing."""
        if not data:
            can_be = ", ".join(name for name in self.fields if name != "unit")
            raise ma.ValidationError(f"Add at least one of {can_be}.")

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> Addition:
        """The addition."""
        counts = data.pop("counts", None) or {}
        tools = data.pop("tools", None)
        return Addition(
            readings=tuple(data.pop("readings", ())),
            markings=tuple(data.pop("markings", ())),
            tools=None if tools is None else tuple(tools),
            gear_teeth=counts.get("gear_teeth"),
            **data,
        )
