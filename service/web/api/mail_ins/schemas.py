"""How a shaft is announced, how it is told what happened to one, and which are asked for."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.domain.mail_in import ArrivedCondition, EventKind, MailInState
from service.domain.readings import MOST_READINGS, Instrument
from service.domain.reference import read_reference
from service.domain.units import LengthUnit
from service.web.api.bench.schemas import BenchConditionsSchema
from service.web.api.letters.schemas import IssueSchema
from service.web.api.submissions.reading_schemas import reading_field
from service.web.api.submissions.schemas import ContactSchema, CountsSchema, MarkingSchema
from service.web.fields import Choice, Moment, Text
from service.web.replies import PageQuery
from service.workflows.bench.mail_ins import NewEvent

LINE = r"^[^\u0000-\u001f\u007f]*$"
_ONE_LINE = "Must be one line of text."

ANNOUNCEMENT_EXAMPLE: dict[str, Any] = {
    "unit": "in",
    "contact": {"name": "A. Caller", "email": "caller@shop.example"},
    "send_back_to": ["A. Caller", "3 Invented Lane", "Thrumbleby"],
    "note": "Found in a box of parts.",
}
RECEIVED_EXAMPLE: dict[str, Any] = {
    "kind": "received",
    "place": "goods in, shelf 2",
    "by": "R. Bench",
    "condition": ["worn", "rusted"],
    "note": "No gear; box was dry.",
}
MEASURED_EXAMPLE: dict[str, Any] = {
    "kind": "measured",
    "place": "bench 1",
    "taken_from": "goods in, shelf 2",
    "instrument": "outside_micrometer",
    "readings": [
        {"feature": "journal_diameter", "position": "front", "values": ["0.7498"]},
        {"feature": "lobe_height", "lobe": "intake", "values": ["1.2089", "1.2090"]},
        {"feature": "base_circle", "lobe": "intake", "values": ["0.8611"]},
    ],
    "counts": {"gear_teeth": 28},
}
EVENT_EXAMPLES = {
    "it_came": {"summary": "The box is unpacked; everything is invented.", "value": RECEIVED_EXAMPLE},
    "it_is_measured": {"summary": "Readings from the bench.", "value": MEASURED_EXAMPLE},
}


def line(longest: int, description: str, **options: Any) -> Text:
    """One line of text that is not empty."""
    return Text(
        shortest=1, longest=longest, pattern=LINE, refusal=_ONE_LINE, metadata={"description": description}, **options
    )


class AnnouncementSchema(ma.Schema):
    """A shaft that is about to be posted."""

    submission = ma.fields.UUID(
        load_default=None, allow_none=True, metadata={"description": "The submission it belongs to, if there is one."}
    )
    unit = Choice(
        LengthUnit,
        load_default=None,
        allow_none=True,
        metadata={"description": "What it will be measured in: the submission's, or inches."},
    )
    contact = ma.fields.Nested(
        ContactSchema(),
        load_default=None,
        allow_none=True,
        metadata={"description": "Whom to answer; left out, the submission's."},
    )
    send_back_to = ma.fields.List(
        line(100, "One line of the address."),
        load_default=(),
        validate=ma.validate.Length(max=8),
        metadata={"description": "The address it goes back to, line by line."},
    )
    note = Text(longest=4000, load_default=None, allow_none=True)

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> dict[str, Any]:
        """The arguments of an announcement."""
        return {
            "submission_id": data["submission"],
            "unit": data["unit"],
            "contact": data["contact"],
            "send_back_to": tuple(data["send_back_to"]),
            "note": data["note"],
        }


MAY_HOLD: dict[EventKind, frozenset[str]] = {
    EventKind.RECEIVED: frozenset({"condition"}),
    EventKind.MOVED: frozenset(),
    EventKind.MEASURED: frozenset({"unit", "instrument", "readings", "counts", "markings", "bench"}),
    EventKind.REPORTED: frozenset({"letter"}),
    EventKind.CONSENTED: frozenset(),
    EventKind.RETURNED: frozenset({"tracking"}),
    EventKind.SCRAPPED: frozenset(),
    EventKind.WITHDRAWN: frozenset(),
}
"""What an event may say beside who, when, where and a note."""

_ITS_OWN = frozenset().union(*MAY_HOLD.values())


class EventSchema(ma.Schema):
    """Something that happened to a shaft; which members belong to which kind is said with each."""

    kind = Choice(
        EventKind,
        required=True,
        validate=ma.validate.OneOf(list(MAY_HOLD), error="Is recorded by itself."),
        metadata={"enum": [kind.value for kind in MAY_HOLD], "description": "What happened."},
    )
    at = Moment(metadata={"description": "When; now, where nothing is said. Never in the future."})
    place = line(100, "Where the shaft is now; needed for `received` and `moved`.")
    taken_from = line(100, "Where it was taken from; refused where it does not lie there.")
    by = line(100, "Who did it, if not whose key it is.")
    note = Text(
        shortest=1,
        longest=2000,
        metadata={"description": "For the house. `consented`: how the owner said so (needed)."},
    )
    condition = ma.fields.List(
        Choice(ArrivedCondition),
        validate=ma.validate.Length(max=len(ArrivedCondition)),
        metadata={"description": "`received`: how it looked."},
    )
    unit = Choice(LengthUnit, metadata={"description": "`measured`: must be the submission's."})
    instrument = Choice(
        Instrument, metadata={"description": "`measured`: the tool of every reading that can be taken with it."}
    )
    readings = ma.fields.List(
        reading_field(),
        validate=ma.validate.Length(1, MOST_READINGS),
        metadata={"description": "`measured`: what was read (needed)."},
    )
    counts = ma.fields.Nested(CountsSchema(), metadata={"description": "`measured`."})
    markings = ma.fields.List(
        ma.fields.Nested(MarkingSchema()),
        validate=ma.validate.Length(max=20),
        metadata={"description": "`measured`: kept for the desk, never evidence."},
    )
    bench = ma.fields.Nested(
        BenchConditionsSchema(),
        metadata={"description": "`measured`: with which instruments, how warm, zeros checked."},
    )
    letter = ma.fields.Nested(
        IssueSchema(), metadata={"description": "`reported`: how the letter travels; left out, it is only kept."}
    )
    tracking = line(100, "`returned`: the carrier's number.")

    @ma.validates_schema
    def holds_what_its_kind_may(self, data: dict[str, Any], **_: Any) -> None:
        """Refuse what belongs to another kind of event, and what is needed and not there."""
        kind = data.get("kind")
        if kind not in MAY_HOLD:
            return
        faults = {
            name: [f"Does not belong to {kind.value}."]
            for name in data
            if name in _ITS_OWN and name not in MAY_HOLD[kind]
        }
        needed = {EventKind.MEASURED: "readings", EventKind.CONSENTED: "note"}.get(kind)
        needed = "place" if kind in (EventKind.RECEIVED, EventKind.MOVED) else needed
        if needed is not None and needed not in data:
            faults[needed] = [f"Is needed where a shaft is {kind.value}."]
        if faults:
            raise ma.ValidationError(faults)

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> NewEvent:
        """What is told."""
        counts = data.pop("counts", None) or {}
        data |= {name: tuple(data[name]) for name in ("condition", "readings", "markings") if name in data}
        if "letter" in data:
            data["post"] = data.pop("letter")
        if "bench" in data:
            data["conditions"] = data.pop("bench")
        return NewEvent(gear_teeth=counts.get("gear_teeth"), **data)


class MailInsQuery(PageQuery):
    """Which shafts."""

    state = Choice(MailInState, load_default=None, metadata={"description": "Only those in this state."})
    overdue = ma.fields.String(
        load_default=None,
        validate=ma.validate.OneOf(["true", "false"]),
        metadata={"description": "Only those that are overdue, or only those that are not."},
    )
    reference = Text(
        longest=12,
        pattern=r"^[Mm]?[ -]?[0-9]{4}[ -]?[0-9]{4}$",
        refusal="Is no reference of a shaft, such as M 4829 1573.",
        load_default=None,
        metadata={"description": "Only the one with this reference, as it is read or scanned."},
    )

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> dict[str, Any]:
        """The query with what it says understood; a reference whose check digit is wrong finds nothing."""
        data["overdue"] = {None: None, "true": True, "false": False}[data["overdue"]]
        if data["reference"] is not None:
            data["reference"] = read_reference(data["reference"].lstrip("Mm")) or ""
        return data
