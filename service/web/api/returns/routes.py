"""The routes for a customer's own way back: a link made for a case, and followed later with the store's key."""

from __future__ import annotations

from uuid import UUID

import marshmallow as ma
from flask import Response

from service.web.access import caller
from service.web.api.submissions.answer import answer_json
from service.web.api.submissions.answer_schemas import AnswerToSubmissionSchema
from service.web.api.submissions.routes import etag_of
from service.web.blueprint import Blueprint
from service.web.fields import AnswerSchema
from service.web.replies import ETAG_HEADER, PRIVATE, json_response
from service.workflows.cases.find_cases import LINK_PATTERN, follow_link, make_link
from service.workflows.desk import Desk

ANSWER = AnswerToSubmissionSchema()


class LinkSchema(AnswerSchema):
    """A way back to a case."""

    token = ma.fields.String(
        required=True,
        validate=ma.validate.Regexp(LINK_PATTERN),
        metadata={"description": "Whoever has it sees the case: for the customer alone. It cannot be shown again."},
    )
    path = ma.fields.String(required=True, metadata={"description": "Where the case is read with it."})
    page = ma.fields.String(
        required=True,
        metadata={"description": "The page of this service for whoever has the link; it asks for no key."},
    )
    lapses_at = ma.fields.DateTime(required=True)


def returns_blueprint(desk: Desk) -> Blueprint:
    """The routes for return links."""
    blueprint = Blueprint("returns", __name__, url_prefix="/v1", description="A customer's way back to a case.")

    @blueprint.route("/submissions/<uuid:submission_id>/links", methods=["POST"])
    @blueprint.response(201, LinkSchema())
    @blueprint.problems(404)
    def make_one(submission_id: UUID) -> Response:
        """Make a link by which the customer comes back to a case; nobody can guess it, and it lapses."""
        with desk.stores.transaction() as transaction:
            token, lapses_at = make_link(transaction, caller(), submission_id, desk.rules)
        path = f"/v1/returns/{token}"
        # what stands behind the # goes to no server, into no log, and to no page that is gone to from there
        shown = {"token": token, "path": path, "page": f"/return/#{token}", "lapses_at": lapses_at.isoformat()}
        return json_response(shown, 201, Cache_Control="no-store", Location=path)

    @blueprint.route("/returns/<token>", methods=["GET"])
    @blueprint.response(200, ANSWER, headers=ETAG_HEADER)
    @blueprint.problems(404)
    def follow_one(token: str) -> Response:
        """The case a link leads to, as its store's page may see it; 404 once the link has lapsed."""
        with desk.stores.transaction() as transaction:
            case = follow_link(transaction, caller(), token)
        headers = {"ETag": f'"{etag_of(case)}"'} | PRIVATE
        return json_response(answer_json(case, caller().role), 200, **headers)

    return blueprint
