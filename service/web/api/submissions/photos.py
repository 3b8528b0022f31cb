"""The routes for photos that come with a submission: anybody may add one to their own; the desk alone sees them."""

from __future__ import annotations

from uuid import UUID

import marshmallow as ma
from flask import Response, request

from service.web.access import caller
from service.web.blueprint import Blueprint
from service.web.fields import AnswerSchema
from service.web.pictures import BODY, JPEG_SCHEMA, PhotoSchema, photo_json, picture_response, sent_picture
from service.web.replies import (
    IDEMPOTENCY_PARAMETER,
    LOCATION_HEADER,
    PRIVATE,
    answer_once,
    json_reply,
    json_response,
)
from service.workflows.cases.case_photos import add_case_photo, find_case_photo, list_case_photos
from service.workflows.desk import Desk
from service.workflows.ports.photos import PhotoMaker
from service.workflows.ports.stores import Reply, Transaction

PREFIX = "/v1/submissions"


class PhotosSchema(AnswerSchema):
    """The photos of a submission, first to last."""

    items = ma.fields.List(ma.fields.Nested(PhotoSchema()), required=True)


def case_photos_blueprint(desk: Desk, maker: PhotoMaker, body_limit: int) -> Blueprint:
    """The route for adding a photo; its body may be longer than others', up to `body_limit` bytes."""
    blueprint = Blueprint("case_photos", __name__, url_prefix=PREFIX, description="Photos sent with readings.")

    def allow_long_body() -> None:
        request.max_content_length = body_limit

    blueprint.before_request(allow_long_body)

    @blueprint.route("/<uuid:submission_id>/photos", methods=["POST"])
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER], requestBody=BODY)
    @blueprint.response(201, PhotoSchema(), headers=LOCATION_HEADER)
    @blueprint.problems(400, 404, 409, 413, 415, 422)
    def add_one(submission_id: UUID) -> Response:
        """Add a photo to a submission, for the desk to look at.

        Only the picture is kept: it is made anew here, upright, without where and with what it was taken.
        """
        return add_photo_once(desk, maker, body_limit, submission_id)

    return blueprint


def add_photo_once(desk: Desk, maker: PhotoMaker, body_limit: int, submission_id: UUID) -> Response:
    """Add the picture in the body to a submission, once for each Idempotency-Key."""
    picture = maker.remake(sent_picture(body_limit))

    def work(transaction: Transaction) -> Reply:
        case_id, photo = add_case_photo(transaction, caller(), submission_id, picture)
        shown = photo_json(f"{PREFIX}/{case_id}/photos", photo)
        return json_reply(shown, 201, Location=shown["url"], **PRIVATE)

    return answer_once(desk.stores, work)


def case_pictures_blueprint(desk: Desk) -> Blueprint:
    """The routes for looking at them."""
    blueprint = Blueprint("case_pictures", __name__, url_prefix=PREFIX, description="Photos sent with readings.")

    @blueprint.route("/<uuid:submission_id>/photos", methods=["GET"])
    @blueprint.response(200, PhotosSchema())
    @blueprint.problems(404)
    def list_all(submission_id: UUID) -> Response:
        """The photos of a submission."""
        with desk.stores.transaction() as transaction:
            photos = list_case_photos(transaction, caller(), submission_id)
        folder = f"{PREFIX}/{submission_id}/photos"
        return json_response({"items": [photo_json(folder, photo) for photo in photos]}, 200, **PRIVATE)

    @blueprint.route("/<uuid:submission_id>/photos/<uuid:photo_id>", methods=["GET"])
    @blueprint.response(200, JPEG_SCHEMA, content_type="image/jpeg")
    @blueprint.problems(404)
    def read_one(submission_id: UUID, photo_id: UUID) -> Response:
        """A photo, as JPEG."""
        with desk.stores.transaction() as transaction:
            jpeg = find_case_photo(transaction, caller(), submission_id, photo_id)
        return picture_response(jpeg)

    return blueprint
