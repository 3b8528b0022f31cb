"""The routes for photos of posted shafts."""

from __future__ import annotations

from uuid import UUID

from flask import Response, request

from service.web.access import caller
from service.web.api.mail_ins.routes import PREFIX
from service.web.api.mail_ins.shown import photos_folder
from service.web.blueprint import Blueprint
from service.web.pictures import BODY, JPEG_SCHEMA, PhotoSchema, photo_json, picture_response, sent_picture
from service.web.replies import IDEMPOTENCY_PARAMETER, LOCATION_HEADER, PRIVATE, answer_once, json_reply
from service.workflows.bench.mail_ins import hold_mail_in
from service.workflows.bench.shaft_photos import add_photo, find_photo
from service.workflows.desk import Desk
from service.workflows.ports.photos import PhotoMaker
from service.workflows.ports.stores import Reply, Transaction


def photos_blueprint(desk: Desk, maker: PhotoMaker, body_limit: int) -> Blueprint:
    """The routes for photos; a photo's body may be longer than others', up to `body_limit` bytes."""
    blueprint = Blueprint("photos", __name__, url_prefix=PREFIX, description="Photos of posted shafts.")

    def allow_long_body() -> None:
        request.max_content_length = body_limit

    blueprint.before_request(allow_long_body)

    @blueprint.route("/<uuid:mail_in_id>/photos", methods=["POST"])
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER], requestBody=BODY)
    @blueprint.response(201, PhotoSchema(), headers=LOCATION_HEADER)
    @blueprint.problems(400, 404, 409, 413, 415, 422)
    def add_one(mail_in_id: UUID) -> Response:
        """Add a photo of a shaft that has come.

        Only the picture is kept: it is made anew here, upright, without where and with what it was taken.
        """
        picture = maker.remake(sent_picture(body_limit))

        def work(transaction: Transaction) -> Reply:
            mail_in = hold_mail_in(transaction, mail_in_id)
            photo_id = add_photo(transaction, caller(), mail_in, picture)
            held = hold_mail_in(transaction, mail_in_id)
            (photo,) = (each for each in held.photos if each.id == photo_id)
            shown = photo_json(photos_folder(mail_in_id), photo)
            return json_reply(shown, 201, Location=shown["url"], **PRIVATE)

        return answer_once(desk.stores, work)

    @blueprint.route("/<uuid:mail_in_id>/photos/<uuid:photo_id>", methods=["GET"])
    @blueprint.response(200, JPEG_SCHEMA, content_type="image/jpeg")
    @blueprint.problems(404)
    def read_one(mail_in_id: UUID, photo_id: UUID) -> Response:
        """A photo, as JPEG."""
        with desk.stores.transaction() as transaction:
            image = find_photo(transaction, caller(), mail_in_id, photo_id)
        return picture_response(image)

    return blueprint
