"""The routes for webhook addresses."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import marshmallow as ma
from flask import Response

from service.domain.outbox import Topic
from service.web.access import caller
from service.web.blueprint import Blueprint
from service.web.fields import AnswerSchema, Choice, Text
from service.web.replies import (
    IDEMPOTENCY_PARAMETER,
    LOCATION_HEADER,
    PRIVATE,
    answer_once,
    json_reply,
    json_response,
    secret_reply,
)
from service.workflows.desk import Desk
from service.workflows.ports.sending import Endpoint
from service.workflows.ports.stores import Reply, Transaction
from service.workflows.sending.publish import (
    add_endpoint,
    change_secret,
    find_endpoint,
    list_endpoints,
    remove_endpoint,
)

EXAMPLE = {"url": "https://store.example/hooks/lobedesk", "topics": ["letter.issued"], "note": "an invented store"}


class NewEndpointSchema(ma.Schema):
    """An address that webhooks are to go to."""

    url = Text(
        shortest=9,
        longest=500,
        pattern="^https?://[!-~]+$",
        refusal="Must begin with https:// and hold visible ASCII characters only.",
        required=True,
        metadata={"description": "HTTPS, in the open internet."},
    )
    topics = ma.fields.List(
        Choice(Topic),
        load_default=(),
        validate=ma.validate.Length(max=len(Topic)),
        metadata={"description": "What it wants to hear of; nothing listed means everything."},
    )
    key_id = ma.fields.UUID(
        load_default=None,
        allow_none=True,
        metadata={"description": "Only cases opened with this key: a store's own. Left out, all cases."},
    )
    note = Text(longest=200, load_default="", metadata={"description": "Whose it is, for people."})


class EndpointSchema(AnswerSchema):
    """An address that webhooks go to."""

    id = ma.fields.UUID(required=True)
    url = ma.fields.String(required=True)
    topics = ma.fields.List(Choice(Topic), required=True)
    key_id = ma.fields.UUID(required=True, allow_none=True)
    note = ma.fields.String(required=True)
    made_at = ma.fields.DateTime(required=True)
    disabled_at = ma.fields.DateTime(required=True, allow_none=True)
    disabled_why = ma.fields.String(required=True, allow_none=True)


class NewlyMadeSchema(EndpointSchema):
    """The same with its signing secret, which is shown this once."""

    secret = ma.fields.String(required=True, metadata={"description": "Standard Webhooks: `whsec_` and base64."})


class EndpointsSchema(AnswerSchema):
    """Every address, oldest first."""

    items = ma.fields.List(ma.fields.Nested(EndpointSchema()), required=True)


def webhooks_blueprint(desk: Desk) -> Blueprint:
    """The routes for webhook addresses."""
    blueprint = Blueprint("webhooks", __name__, url_prefix="/v1/webhooks", description="Where webhooks go.")

    @blueprint.route("", methods=["POST"])
    @blueprint.arguments(NewEndpointSchema(), example=EXAMPLE)
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(201, NewlyMadeSchema(), headers=LOCATION_HEADER)
    @blueprint.problems(409, 422)
    def add_one(said: dict[str, Any]) -> Response:
        """Have webhooks posted to an address, signed by the Standard Webhooks specification."""

        def work(transaction: Transaction) -> Reply:
            endpoint, secret = add_endpoint(
                transaction,
                caller(),
                said["url"],
                tuple(dict.fromkeys(said["topics"])),
                said["key_id"],
                said["note"],
                private=desk.private_webhooks,
            )
            body = endpoint_json(endpoint) | {"secret": secret}
            return secret_reply(body, 201, Location=f"/v1/webhooks/{endpoint.id}", **PRIVATE)

        return answer_once(desk.stores, work)

    @blueprint.route("", methods=["GET"])
    @blueprint.response(200, EndpointsSchema())
    def list_all() -> Response:
        """Every address, oldest first."""
        return json_response({"items": [endpoint_json(each) for each in list_endpoints(desk.stores)]}, 200, **PRIVATE)

    @blueprint.route("/<uuid:endpoint_id>", methods=["GET"])
    @blueprint.response(200, EndpointSchema())
    @blueprint.problems(404)
    def read_one(endpoint_id: UUID) -> Response:
        """One address."""
        with desk.stores.transaction() as transaction:
            endpoint = find_endpoint(transaction, endpoint_id)
        return json_response(endpoint_json(endpoint), 200, **PRIVATE)

    @blueprint.route("/<uuid:endpoint_id>/secret", methods=["POST"])
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(200, NewlyMadeSchema())
    @blueprint.problems(404, 409, 422)
    def renew_secret(endpoint_id: UUID) -> Response:
        """Sign with a new secret; for a day, the old one signs along."""

        def work(transaction: Transaction) -> Reply:
            secret = change_secret(transaction, caller(), endpoint_id)
            return secret_reply(
                endpoint_json(find_endpoint(transaction, endpoint_id)) | {"secret": secret}, 200, **PRIVATE
            )

        return answer_once(desk.stores, work)

    @blueprint.route("/<uuid:endpoint_id>/removal", methods=["POST"])
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(200, EndpointSchema())
    @blueprint.problems(404, 409, 422)
    def remove_one(endpoint_id: UUID) -> Response:
        """Post nothing to an address any more."""

        def work(transaction: Transaction) -> Reply:
            remove_endpoint(transaction, caller(), endpoint_id)
            return json_reply(endpoint_json(find_endpoint(transaction, endpoint_id)), 200, **PRIVATE)

        return answer_once(desk.stores, work)

    return blueprint


def endpoint_json(endpoint: Endpoint) -> dict[str, Any]:
    """An address as JSON."""
    return {
        "id": str(endpoint.id),
        "url": endpoint.url,
        "topics": [topic.value for topic in endpoint.topics],
        "key_id": None if endpoint.key_id is None else str(endpoint.key_id),
        "note": endpoint.note,
        "made_at": endpoint.made_at.isoformat(),
        "disabled_at": None if endpoint.disabled_at is None else endpoint.disabled_at.isoformat(),
        "disabled_why": endpoint.disabled_why,
    }
