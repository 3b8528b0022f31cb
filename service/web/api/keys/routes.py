"""The routes for keys. None of them keeps its reply for a retry: a key lies nowhere but with whom it was made for."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import UUID

import marshmallow as ma
from flask import Response

from service.domain.access import NewKey, Role
from service.web.access import caller
from service.web.blueprint import Blueprint
from service.web.fields import AnswerSchema, Choice, Flag, Moment, Text, Whole
from service.web.replies import PRIVATE, json_response
from service.workflows.desk import Desk
from service.workflows.keys import LONGEST_NAME, LONGEST_OVERLAP, all_keys, make_key, revoke_key, rotate_key
from service.workflows.ports.stores import KeyEntry

EXAMPLE = {"role": "widget", "name": "an invented shop", "origins": ["https://www.shop.example"]}
MOST_ORIGINS = 20
_HOUR = timedelta(hours=1)


class NewKeySchema(ma.Schema):
    """A key that is wanted."""

    role = Choice(Role, required=True, metadata={"description": "What it may do."})
    name = Text(
        shortest=1,
        longest=LONGEST_NAME,
        pattern=r"^[^\u0000]*[^\s\u0000][^\u0000]*$",
        refusal="Must not be blank, nor hold a NUL character.",
        required=True,
        metadata={"description": "Whose it is, for people."},
    )
    origins = ma.fields.List(
        Text(longest=300),
        load_default=(),
        validate=ma.validate.Length(max=MOST_ORIGINS),
        metadata={"description": "Of a widget key: the sites it may be used on, as https://www.shop.example."},
    )
    shared = Flag(
        load_default=False,
        metadata={"description": "Several people sit at it: what they do to a case or a review says `person`."},
    )
    expires_at = Moment(
        load_default=None,
        allow_none=True,
        metadata={"description": "When it is to stop working; left out, it works until it is revoked."},
    )


class RotationSchema(ma.Schema):
    """How a key is taken over from."""

    overlap_hours = Whole(
        least=0,
        most=LONGEST_OVERLAP // _HOUR,
        load_default=24,
        metadata={"description": "How long the old key goes on working beside the new one."},
    )


class KeySchema(AnswerSchema):
    """A key, without what it opens anything with."""

    id = ma.fields.UUID(required=True)
    role = Choice(Role, required=True)
    name = ma.fields.String(required=True)
    ending = ma.fields.String(required=True, metadata={"description": "Its last four characters."})
    origins = ma.fields.List(
        ma.fields.String(), required=True, metadata={"description": "The sites a widget key may be used on."}
    )
    shared = ma.fields.Boolean(required=True)
    created_at = ma.fields.DateTime(required=True)
    last_used_at = ma.fields.DateTime(required=True, allow_none=True, metadata={"description": "To the minute."})
    expires_at = ma.fields.DateTime(required=True, allow_none=True)
    revoked_at = ma.fields.DateTime(required=True, allow_none=True)


class MadeKeySchema(KeySchema):
    """The same with the key itself, which is shown this once."""

    key = ma.fields.String(required=True)


class KeysSchema(AnswerSchema):
    """Every key, oldest first."""

    items = ma.fields.List(ma.fields.Nested(KeySchema()), required=True)


def keys_blueprint(desk: Desk) -> Blueprint:
    """The routes for keys."""
    blueprint = Blueprint("keys", __name__, url_prefix="/v1/keys", description="Who may call.")

    @blueprint.route("", methods=["GET"])
    @blueprint.response(200, KeysSchema())
    def list_keys() -> Response:
        """Every key: whose, what it may do, until when, and when it was last used."""
        return json_response({"items": [_key_json(entry) for entry in all_keys(desk.stores)]}, 200, **PRIVATE)

    @blueprint.route("", methods=["POST"])
    @blueprint.arguments(NewKeySchema(), example=EXAMPLE)
    @blueprint.response(201, MadeKeySchema())
    @blueprint.problems(422)
    def make_one(said: dict[str, Any]) -> Response:
        """Make a key; it is shown this once."""
        wanted = NewKey(said["role"], said["name"], tuple(said["origins"]), said["expires_at"], said["shared"])
        with desk.stores.transaction() as transaction:
            entry, key = make_key(transaction, caller(), wanted)
        return _shown_once(entry, key)

    @blueprint.route("/<uuid:key_id>/rotation", methods=["POST"])
    @blueprint.arguments(RotationSchema(), example={"overlap_hours": 24})
    @blueprint.response(201, MadeKeySchema())
    @blueprint.problems(404, 409, 422)
    def rotate_one(said: dict[str, Any], key_id: UUID) -> Response:
        """Make a key that takes over from this one, which works along with it for a while; shown this once."""
        with desk.stores.transaction() as transaction:
            entry, key = rotate_key(transaction, caller(), key_id, said["overlap_hours"] * _HOUR)
        return _shown_once(entry, key)

    @blueprint.route("/<uuid:key_id>/revocation", methods=["POST"])
    @blueprint.response(200, KeySchema())
    @blueprint.problems(404, 409)
    def revoke_one(key_id: UUID) -> Response:
        """Stop a key, in every process at once."""
        with desk.stores.transaction() as transaction:
            entry = revoke_key(transaction, caller(), key_id)
        return json_response(_key_json(entry), 200, **PRIVATE)

    return blueprint


def _shown_once(entry: KeyEntry, key: str) -> Response:
    body = _key_json(entry) | {"key": key}
    return json_response(body, 201, Cache_Control="no-store")


def _key_json(entry: KeyEntry) -> dict[str, Any]:
    moments = {name: getattr(entry, name) for name in ("created_at", "last_used_at", "expires_at", "revoked_at")}
    return {
        "id": str(entry.record.id),
        "role": entry.record.role.value,
        "name": entry.record.name,
        "ending": entry.ending,
        "origins": list(entry.record.origins),
        "shared": entry.record.shared,
    } | {name: None if at is None else at.isoformat() for name, at in moments.items()}
