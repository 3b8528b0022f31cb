"""The routes for whoever has a return link: its one case, with the link's token in place of a key."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import Response, request

from service.web.access import caller, linked_case
from service.web.api.privacy.routes import NoticeQuery, NoticeSchema, notice_response
from service.web.api.submissions.answer import answer_json
from service.web.api.submissions.answer_schemas import AnswerToSubmissionSchema
from service.web.api.submissions.examples import ADDITION_EXAMPLES
from service.web.api.submissions.photos import add_photo_once
from service.web.api.submissions.routes import add_once, etag_of
from service.web.api.submissions.schemas import AdditionSchema
from service.web.blueprint import Blueprint
from service.web.pictures import BODY, PhotoSchema
from service.web.replies import (
    ETAG_HEADER,
    IDEMPOTENCY_PARAMETER,
    IF_MATCH_PARAMETER,
    LOCATION_HEADER,
    PRIVATE,
    json_response,
)
from service.workflows.desk import Desk
from service.workflows.identifying.identify import Addition, read_submission
from service.workflows.ports.photos import PhotoMaker

ANSWER = AnswerToSubmissionSchema()
BY_LINK: dict[str, list[dict[str, list[str]]]] = {"security": [{"link": []}]}


def own_case_blueprint(desk: Desk, notices: Mapping[str, str], photos: PhotoMaker, photo_body_limit: int) -> Blueprint:
    """The routes for the case that a link opens."""
    blueprint = Blueprint("own_case", __name__, url_prefix="/v1/own-case", description="The case that a link opens.")

    def allow_long_body() -> None:
        if request.endpoint == "own_case.add_photo":
            request.max_content_length = photo_body_limit

    blueprint.before_request(allow_long_body)

    @blueprint.route("", methods=["GET"])
    @blueprint.doc(**BY_LINK)
    @blueprint.response(200, ANSWER, headers=ETAG_HEADER)
    @blueprint.problems(404)
    def read_own() -> Response:
        """The case that the caller's link opens, as its customer may see it; 401 once the link has lapsed."""
        with desk.stores.transaction() as transaction:
            case = read_submission(transaction, caller(), linked_case())
        return json_response(answer_json(case, caller().role), 200, ETag=f'"{etag_of(case)}"', **PRIVATE)

    @blueprint.route("/readings", methods=["POST"])
    @blueprint.arguments(AdditionSchema(), examples=ADDITION_EXAMPLES)
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER, IF_MATCH_PARAMETER], **BY_LINK)
    @blueprint.response(200, ANSWER, headers=ETAG_HEADER)
    @blueprint.problems(404, 409, 412, 422)
    def add_readings(addition: Addition) -> Response:
        """Add readings to it and identify it again from all of them."""
        return add_once(desk, addition, linked_case())

    @blueprint.route("/photos", methods=["POST"])
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER], requestBody=BODY, **BY_LINK)
    @blueprint.response(201, PhotoSchema(), headers=LOCATION_HEADER)
    @blueprint.problems(400, 404, 409, 413, 415, 422)
    def add_photo() -> Response:
        """Add a photo to it, for the desk to look at; only the picture is kept."""
        return add_photo_once(desk, photos, photo_body_limit, linked_case())

    @blueprint.route("/notice", methods=["GET"])
    @blueprint.arguments(NoticeQuery(), location="query")
    @blueprint.doc(**BY_LINK)
    @blueprint.response(200, NoticeSchema())
    def read_notice(query: dict[str, Any]) -> Response:
        """What a customer is to be told before they leave a name or an address, and when they may expect an answer."""
        return notice_response(desk, notices, query["language"])

    return blueprint
