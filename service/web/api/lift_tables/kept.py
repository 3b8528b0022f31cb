"""Kept lift tables as JSON, and how that looks for the document."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.domain.catalogue import FollowerKind
from service.domain.readings import LobeKind
from service.lobe.sent_sheet import SentSheet
from service.web.api.bench.schemas import BenchRecordSchema
from service.web.fields import AnswerSchema, Choice
from service.workflows.ports.lift_tables import KeptSheet

Json = dict[str, Any]

PREFIX = "/v1/lift-tables"


def kept_json(kept: KeptSheet) -> Json:
    """What is told of kept tables beside what they say."""
    withdrawal = kept.withdrawal
    return {
        "id": str(kept.id),
        "submission": None if kept.submission_id is None else str(kept.submission_id),
        "mail_in": None if kept.mail_in_id is None else str(kept.mail_in_id),
        "by": kept.by,
        "at": kept.at.isoformat(),
        "lobes": [{"lobe": lobe.kind.value, "cylinder": lobe.cylinder} for lobe in kept.sent.lobes],
        "worked_out": f"{PREFIX}/{kept.id}",
        "withdrawn": None
        if withdrawal is None
        else {"by": withdrawal.by, "at": withdrawal.at.isoformat(), "reason": withdrawal.reason},
        "bench": kept.bench,
    }


def sent_json(sent: SentSheet) -> Json:
    """Tables as they were sent, digit for digit, in the form in which they could be sent again."""
    follower: Json = {"kind": sent.follower.value}
    if sent.follower is FollowerKind.ROLLER:
        follower["radius"] = str(sent.radius)
    if sent.offset:
        follower["offset"] = str(sent.offset)
    shown: Json = {
        "unit": sent.unit.value,
        "angle": sent.degrees.value,
        "follower": follower,
        "lobes": [
            {"lobe": lobe.kind.value, "cylinder": lobe.cylinder}
            | ({} if lobe.base_circle is None else {"base_circle": str(lobe.base_circle)})
            | {"table": [[str(angle), str(lift)] for angle, lift in lobe.rows]}
            for lobe in sent.lobes
        ],
        "condition": "used" if sent.used else "new",
    }
    if sent.direction_known:
        shown["direction"] = "rising" if sent.rising else "falling"
    if sent.rocker_ratio is not None:
        shown |= {"rocker_ratio": str(sent.rocker_ratio), "lash": str(sent.lash)}
    return shown


class WithdrawnSchema(AnswerSchema):
    """Why kept tables count no longer."""

    by = ma.fields.String(required=True)
    at = ma.fields.DateTime(required=True)
    reason = ma.fields.String(required=True)


class KeptLobeSchema(AnswerSchema):
    """Which lobe has a table."""

    lobe = Choice(LobeKind, required=True)
    cylinder = ma.fields.Integer(required=True)


class KeptTablesSchema(AnswerSchema):
    """Lift tables that were kept."""

    id = ma.fields.UUID(required=True)
    submission = ma.fields.UUID(required=True, allow_none=True)
    mail_in = ma.fields.UUID(required=True, allow_none=True)
    by = ma.fields.String(required=True)
    at = ma.fields.DateTime(required=True)
    lobes = ma.fields.List(ma.fields.Nested(KeptLobeSchema()), required=True)
    worked_out = ma.fields.String(required=True, metadata={"description": "Where they are worked out anew."})
    withdrawn = ma.fields.Nested(
        WithdrawnSchema(), required=True, allow_none=True, metadata={"description": "Null while they count."}
    )
    bench = ma.fields.Nested(
        BenchRecordSchema(),
        required=True,
        allow_none=True,
        metadata={"description": "What they were taken with; null where nobody said."},
    )
