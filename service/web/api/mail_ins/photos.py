"""The routes for photos of posted shafts. A photo is sent as it is, with its own content type."""

from __future__ import annotations

from uuid import UUID

from flask import Response, request
from werkzeug.exceptions import RequestEntityTooLarge, UnsupportedMediaType

from service.web.access import caller
from service.web.api.mail_ins.routes import PREFIX
from service.web.api.mail_ins.shown import PhotoSchema, photo_json
from service.web.blueprint import Blueprint
from service.web.replies import IDEMPOTENCY_PARAMETER, LOCATION_HEADER, PRIVATE, answer_once, json_reply
from service.workflows.desk import Desk
from service.workflows.mail_in_ports import PhotoMaker
from service.workflows.mail_ins import add_photo, find_photo, hold_mail_in
from service.workflows.ports import Reply, Transaction

KINDS = ("image/jpeg", "image/png", "image/webp")


def photos_blueprint(desk: Desk, maker: PhotoMaker, body_limit: int) -> Blueprint:
    """The routes for photos; a photo's body may be longer than others', up to `body_limit` bytes."""
    blueprint = Blueprint("photos", __name__, url_prefix=PREFIX, description="Photos of posted shafts.")

    def allow_long_body() -> None:
        request.max_content_length = body_limit

    blueprint.before_request(allow_long_body)
    body = {kind: {"schema": {"contentMediaType": kind}} for kind in KINDS}

    @blueprint.route("/<uuid:mail_in_id>/photos", methods=["POST"])
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER], requestBody={"required": True, "content": body})
    @blueprint.response(201, PhotoSchema(), headers=LOCATION_HEADER)
    @blueprint.problems(400, 404, 409, 413, 415, 422)
    def add_one(mail_in_id: UUID) -> Response:
        """Add a photo of a shaft that has come.

        Only the picture is kept: it is made anew here, upright, without where and with what it was taken.
        """
        picture = maker.remake(_sent(body_limit))

        def work(transaction: Transaction) -> Reply:
            mail_in = hold_mail_in(transaction, mail_in_id)
            photo_id = add_photo(transaction, caller(), mail_in, picture)
            held = hold_mail_in(transaction, mail_in_id)
            (photo,) = (each for each in held.photos if each.id == photo_id)
            location = f"{PREFIX}/{mail_in_id}/photos/{photo_id}"
            return json_reply(photo_json(held, photo), 201, Location=location, **PRIVATE)

        return answer_once(desk.stores, work)

    @blueprint.route("/<uuid:mail_in_id>/photos/<uuid:photo_id>", methods=["GET"])
    @blueprint.response(200, {"type": "string", "contentMediaType": "image/jpeg"}, content_type="image/jpeg")
    @blueprint.problems(404)
    def read_one(mail_in_id: UUID, photo_id: UUID) -> Response:
        """A photo, as JPEG."""
        with desk.stores.transaction() as transaction:
            image = find_photo(transaction, mail_in_id, photo_id)
        response = Response(image, content_type="image/jpeg")
        response.headers["Content-Security-Policy"] = "default-src 'none'; sandbox"
        for name, value in PRIVATE.items():
            response.headers[name.replace("_", "-")] = value
        return response

    return blueprint


def _sent(body_limit: int) -> bytes:
    """The body, which has to say that it is a picture; what it really is shows when it is opened."""
    if request.mimetype not in KINDS:
        raise UnsupportedMediaType(f"A photo is sent as {', '.join(KINDS)}.")
    body = request.get_data(cache=True)
    # werkzeug cuts a body that does not state its length off at the limit, without a word
    if request.content_length is None and len(body) >= body_limit:
        raise RequestEntityTooLarge
    return body
