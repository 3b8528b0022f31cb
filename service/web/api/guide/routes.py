"""`GET /v1/guide`: for anybody, and the same for everybody."""

from __future__ import annotations

from functools import cache
from typing import Any

import marshmallow as ma
import orjson
from flask import Response, request

from service.documents.guide import BEFORE_YOU_BEGIN, GuideEntry, guide
from service.domain.cautions import CAUTIONS
from service.domain.readings import Instrument
from service.web.blueprint import Blueprint
from service.web.fields import AnswerSchema, Choice, described
from service.web.replies import ETAG_HEADER, IF_NONE_MATCH_PARAMETER, JSON_TYPE

PREFIX = "/v1/guide"
PAPERS = f"{PREFIX}/papers.pdf"
PDF_TYPE = "application/pdf"


class DrawingSchema(AnswerSchema):
    """A drawing, worked out from a lobe of true shape; it holds no words."""

    svg = ma.fields.String(required=True)
    description = ma.fields.String(required=True)
    right = ma.fields.Boolean(required=True, metadata=described("False where it shows how not to."))


class GuideEntrySchema(AnswerSchema):
    """How one reading is taken."""

    feature = ma.fields.String(required=True, metadata=described("As in a submission; or `gear_teeth`."))
    title = ma.fields.String(required=True)
    steps = ma.fields.List(ma.fields.String(), required=True)
    mistakes = ma.fields.List(ma.fields.String(), required=True)
    repeats = ma.fields.Integer(required=True)
    why_repeats = ma.fields.String(required=True)
    tools = ma.fields.List(Choice(Instrument), required=True)
    drawings = ma.fields.List(ma.fields.Nested(DrawingSchema()), required=True)


class GuideSchema(AnswerSchema):
    """The whole guide."""

    before_you_begin = ma.fields.List(ma.fields.String(), required=True)
    papers = ma.fields.String(
        required=True, metadata=described("A right-angle card and a paper protractor to print at true size, PDF.")
    )
    readings = ma.fields.List(ma.fields.Nested(GuideEntrySchema()), required=True)
    cautions = ma.fields.List(ma.fields.String(), required=True)


def guide_blueprint() -> Blueprint:
    """The route for the guide."""
    blueprint = Blueprint("guide", __name__, url_prefix=PREFIX, description="How to take each reading.")

    @cache
    def papers() -> bytes:
        from service.documents.measuring_papers import measuring_papers  # here, because what draws it is slow to import

        return measuring_papers()

    @cache
    def body() -> bytes:
        entries = [_entry(entry) for entry in guide()]
        return orjson.dumps(
            {
                "before_you_begin": list(BEFORE_YOU_BEGIN),
                "papers": PAPERS,
                "readings": entries,
                "cautions": list(CAUTIONS),
            }
        )

    @blueprint.route("", methods=["GET"])
    @blueprint.doc(security=[], parameters=[IF_NONE_MATCH_PARAMETER])
    @blueprint.response(200, GuideSchema(), headers=ETAG_HEADER)
    @blueprint.alt_response(304, description="Unchanged.", headers=ETAG_HEADER)
    def read_guide() -> Response:
        """How to take each reading: steps, drawings, the usual mistakes, how many repeats and why, cautions."""
        response = Response(body(), content_type=JSON_TYPE)
        response.add_etag()
        response.headers["Cache-Control"] = "public, max-age=300"
        response.headers["Access-Control-Allow-Origin"] = "*"
        response.make_conditional(request)
        return response

    @blueprint.route("/papers.pdf", methods=["GET"])
    @blueprint.doc(security=[], parameters=[IF_NONE_MATCH_PARAMETER])
    @blueprint.response(
        200, {"type": "string", "contentMediaType": PDF_TYPE}, content_type=PDF_TYPE, headers=ETAG_HEADER
    )
    @blueprint.alt_response(304, description="Unchanged.", headers=ETAG_HEADER)
    def print_papers() -> Response:
        """A right-angle card and a paper protractor at true size, each with bars to check the print by."""
        response = Response(papers(), content_type=PDF_TYPE)
        response.add_etag()
        response.headers["Cache-Control"] = "public, max-age=300"
        response.headers["Content-Disposition"] = 'inline; filename="measuring-papers.pdf"'
        response.make_conditional(request)
        return response

    return blueprint


def _entry(entry: GuideEntry) -> dict[str, Any]:
    return {
        "feature": str(entry.feature),
        "title": entry.title,
        "steps": list(entry.steps),
        "mistakes": list(entry.mistakes),
        "repeats": entry.repeats,
        "why_repeats": entry.why_repeats,
        "tools": [tool.value for tool in entry.tools],
        "drawings": [vars(drawing) for drawing in entry.drawings],
    }
