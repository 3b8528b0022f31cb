"""Photos over HTTP: how one is sent, listed and shown. A photo is sent as it is, with its own content type."""

from __future__ import annotations

from typing import Any

import marshmallow as ma
from flask import Response, request
from werkzeug.exceptions import RequestEntityTooLarge

from service.web.fields import AnswerSchema
from service.web.problems import WrongContentType
from service.web.replies import BARE_POLICY, private
from service.workflows.ports.photos import PhotoEntry

KINDS = ("image/jpeg", "image/png", "image/webp")
BODY = {"required": True, "content": {kind: {"schema": {"contentMediaType": kind}} for kind in KINDS}}
"""What a photo's body is, for the document."""

JPEG_SCHEMA = {"type": "string", "contentMediaType": "image/jpeg"}


class PhotoSchema(AnswerSchema):
    """A photo of a shaft."""

    id = ma.fields.UUID(required=True)
    url = ma.fields.String(required=True)
    width = ma.fields.Integer(required=True)
    height = ma.fields.Integer(required=True)
    added_by = ma.fields.String(required=True)
    added_at = ma.fields.DateTime(required=True)


def photo_json(folder: str, photo: PhotoEntry) -> dict[str, Any]:
    """A photo as it is listed, its picture in `folder`."""
    return {
        "id": str(photo.id),
        "url": f"{folder}/{photo.id}",
        "width": photo.width,
        "height": photo.height,
        "added_by": photo.added_by,
        "added_at": photo.added_at.isoformat(),
    }


def sent_picture(body_limit: int) -> bytes:
    """The body, which has to say that it is a picture; what it really is shows when it is opened."""
    if request.mimetype not in KINDS:
        raise WrongContentType(f"A photo is sent as {', '.join(KINDS)}.")
    body = request.get_data(cache=True)
    # werkzeug cuts a body that does not state its length off at the limit, without a word
    if request.content_length is None and len(body) >= body_limit:
        raise RequestEntityTooLarge
    return body


def picture_response(jpeg: bytes) -> Response:
    """A picture, for whoever may see it and for no cache."""
    response = Response(jpeg, content_type="image/jpeg")
    response.headers["Content-Security-Policy"] = BARE_POLICY
    return private(response)
