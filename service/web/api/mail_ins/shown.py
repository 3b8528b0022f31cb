"""How a posted shaft looks in an answer."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import marshmallow as ma

from service.domain.access import STAFF, Role
from service.domain.mail_in import ArrivedCondition, EventKind, MailInState
from service.domain.units import LengthUnit
from service.web.fields import AnswerSchema, Choice
from service.web.pictures import PhotoSchema, photo_json
from service.web.replies import CURSOR_PATTERN
from service.workflows.bench.shaft_words import code_of, spoken_code
from service.workflows.ports.mail_ins import Happened, MailIn


class HappenedSchema(AnswerSchema):
    """Something that happened to a shaft. Who, where, and what was noted, for staff."""

    number = ma.fields.Integer(required=True)
    kind = Choice(EventKind, required=True)
    at = ma.fields.DateTime(required=True)
    recorded_at = ma.fields.DateTime(required=True)
    who = ma.fields.String()
    place = ma.fields.String()
    condition = ma.fields.List(Choice(ArrivedCondition))
    note = ma.fields.String(allow_none=True)
    details = ma.fields.Dict(
        keys=ma.fields.String(),
        metadata={"description": "`round`, `letter` or `tracking`, by kind; `bench`: what it was measured with."},
    )


class MailInSchema(AnswerSchema):
    """A shaft that is posted in."""

    id = ma.fields.UUID(required=True)
    reference = ma.fields.String(required=True, metadata={"description": "As it is scanned: `M48291573`."})
    spoken = ma.fields.String(required=True, metadata={"description": "As it is read: `M 4829 1573`."})
    state = Choice(MailInState, required=True)
    submission = ma.fields.UUID(
        required=True, allow_none=True, metadata={"description": "Its submission; at the latest once it is measured."}
    )
    unit = Choice(LengthUnit, required=True)
    announced_at = ma.fields.DateTime(required=True)
    state_since = ma.fields.DateTime(required=True)
    due_at = ma.fields.DateTime(
        required=True, allow_none=True, metadata={"description": "When the next thing should have happened."}
    )
    overdue = ma.fields.Boolean(required=True)
    slip = ma.fields.String(required=True, metadata={"description": "The sheet for the box, PDF."})
    label = ma.fields.String(required=True, metadata={"description": "The label for its outside, PDF."})
    events = ma.fields.List(ma.fields.Nested(HappenedSchema()))
    place = ma.fields.String(
        allow_none=True, metadata={"description": "Where it lies; null while it is not here. For staff."}
    )
    consented = ma.fields.Boolean(metadata={"description": "Whether it may be scrapped. For staff."})
    contact = ma.fields.Dict(allow_none=True, metadata={"description": "For staff."})
    send_back_to = ma.fields.List(ma.fields.String(), metadata={"description": "For staff."})
    note = ma.fields.String(allow_none=True, metadata={"description": "For staff."})
    lift_tables = ma.fields.List(
        ma.fields.String(), metadata={"description": "Where its lift tables are worked out. For staff."}
    )
    photos = ma.fields.List(ma.fields.Nested(PhotoSchema()), metadata={"description": "For staff."})


class MailInPageSchema(AnswerSchema):
    """One page of shafts, first announced first, without what happened to them."""

    items = ma.fields.List(ma.fields.Nested(MailInSchema()), required=True)
    next_cursor = ma.fields.String(
        required=True,
        allow_none=True,
        validate=ma.validate.Regexp(CURSOR_PATTERN),
        metadata={"description": "Where the next page begins; null at the end."},
    )


def mail_in_json(mail_in: MailIn, role: Role, *, whole: bool = True) -> dict[str, Any]:
    """A shaft as a key with `role` may see it; `whole` with what happened to it and its photos."""
    staff = role in STAFF
    shown: dict[str, Any] = {
        "id": str(mail_in.id),
        "reference": code_of(mail_in),
        "spoken": spoken_code(mail_in),
        "state": mail_in.state.value,
        "submission": None if mail_in.submission_id is None else str(mail_in.submission_id),
        "unit": mail_in.unit.value,
        "announced_at": mail_in.announced_at.isoformat(),
        "state_since": mail_in.state_since.isoformat(),
        "due_at": None if mail_in.due_at is None else mail_in.due_at.isoformat(),
        "overdue": mail_in.overdue,
        "slip": f"/v1/mail-ins/{mail_in.id}/slip.pdf",
        "label": f"/v1/mail-ins/{mail_in.id}/label.pdf",
    }
    if whole:
        shown["events"] = [_event_json(event, staff=staff) for event in mail_in.events]
    if staff:
        contact = mail_in.contact
        shown |= {
            "place": mail_in.place,
            "consented": mail_in.consented,
            "contact": None if contact is None else dict(vars(contact)),
            "send_back_to": list(mail_in.send_back_to),
            "note": mail_in.note,
        }
        if whole:
            shown["lift_tables"] = [f"/v1/lift-tables/{each}" for each in mail_in.lift_tables]
            shown["photos"] = [photo_json(photos_folder(mail_in.id), photo) for photo in mail_in.photos]
    return shown


def _event_json(event: Happened, *, staff: bool) -> dict[str, Any]:
    shown: dict[str, Any] = {
        "number": event.number,
        "kind": event.kind.value,
        "at": event.at.isoformat(),
        "recorded_at": event.recorded_at.isoformat(),
    }
    if staff:
        shown |= {
            "who": event.who,
            "place": event.place,
            "condition": [each.value for each in event.condition],
            "note": event.note,
            "details": event.details,
        }
    return shown


def photos_folder(mail_in_id: UUID) -> str:
    """Where a shaft's photos lie."""
    return f"/v1/mail-ins/{mail_in_id}/photos"
