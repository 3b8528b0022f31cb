"""The routes for looking at a catalogue that is sent as JSON and not kept; `kept_drafts.py` has those that are."""

from __future__ import annotations

from typing import Any

import marshmallow as ma
from flask import Response, request

from service.catalogue_files import Checked
from service.catalogue_files.difference import Became
from service.documents.draft_pages import draft_html, draft_text
from service.domain.units import LengthUnit
from service.web.api.catalogue.schemas import LookAlikeSchema, WarningSchema
from service.web.api.catalogue.shown import CHANGES_SHOWN, LOOK_ALIKES_IN_REPORT, look_alike_json, warnings_json
from service.web.api.catalogue.upload import EXAMPLE, CatalogueUploadSchema
from service.web.blueprint import Blueprint
from service.web.fields import AnswerSchema
from service.web.replies import PAGE_POLICY, json_response
from service.workflows.catalogue.before_publishing import Draft, look_at_draft, summary_of
from service.workflows.desk import Desk

Json = dict[str, Any]


class DraftQuery(ma.Schema):
    """How it is told."""

    unit = ma.fields.Enum(LengthUnit, by_value=True, load_default=LengthUnit.INCH)


class StrandedSchema(AnswerSchema):
    """An open case that points to a part that would be gone."""

    part_number = ma.fields.String(required=True)
    case = ma.fields.UUID(required=True)
    reference = ma.fields.String(required=True)


class DraftFields(AnswerSchema):
    """What publishing would change; look-alikes the first hundred of each kind, changes the first thousand."""

    against = ma.fields.Integer(
        required=True, allow_none=True, metadata={"description": "The active revision; null before the first."}
    )
    unit = ma.fields.Enum(LengthUnit, by_value=True, required=True)
    summary = ma.fields.List(ma.fields.String(), required=True)
    counts = ma.fields.Dict(required=True)
    changes = ma.fields.List(ma.fields.String(), required=True)
    look_alike_pairs = ma.fields.Integer(required=True)
    look_alikes_created_count = ma.fields.Integer(required=True)
    look_alikes_created = ma.fields.List(ma.fields.Nested(LookAlikeSchema()), required=True)
    look_alikes_removed_count = ma.fields.Integer(required=True)
    look_alikes_removed = ma.fields.List(ma.fields.Nested(LookAlikeSchema()), required=True)
    untellable_count = ma.fields.Integer(required=True)
    untellable = ma.fields.List(
        ma.fields.Nested(LookAlikeSchema()), required=True, metadata={"description": "Nothing stated parts them."}
    )
    vanished = ma.fields.Integer(required=True, metadata={"description": "Parts that would be gone."})
    stranded = ma.fields.List(ma.fields.Nested(StrandedSchema()), required=True)


class DraftSchema(DraftFields):
    """The same, and what is doubtful about what was sent."""

    warning_count = ma.fields.Integer(required=True)
    warnings = ma.fields.List(ma.fields.Nested(WarningSchema()), required=True)


def catalogue_drafts_blueprint(desk: Desk, body_limit: int) -> Blueprint:
    """The route for drafts; its body may be as long as an import's."""
    blueprint = Blueprint(
        "catalogue_drafts", __name__, url_prefix="/v1/catalogue", description="A catalogue before it is published."
    )

    def allow_long_body() -> None:
        request.max_content_length = body_limit

    blueprint.before_request(allow_long_body)

    @blueprint.route("/drafts", methods=["POST"])
    @blueprint.arguments(CatalogueUploadSchema(), example=EXAMPLE)
    @blueprint.arguments(DraftQuery(), location="query")
    @blueprint.response(200, DraftSchema())
    @blueprint.problems(422)
    def look_at(checked: Checked, query: dict[str, Any]) -> Response:
        """Say what publishing this catalogue would change; nothing is kept.

        Look-alikes it creates or removes, parts nothing can tell apart, and parts that vanish while open cases point
        to them.
        """
        draft = look_at_draft(desk.stores, checked.taken())
        return json_response(draft_json(draft, query["unit"]) | warnings_json(checked.doubts))

    @blueprint.route("/drafts/page.html", methods=["POST"])
    @blueprint.arguments(CatalogueUploadSchema(), example=EXAMPLE)
    @blueprint.arguments(DraftQuery(), location="query")
    @blueprint.response(200, {"type": "string"}, content_type="text/html")
    @blueprint.problems(422)
    def draw(checked: Checked, query: dict[str, Any]) -> Response:
        """The same as a page with drawings, which stands alone."""
        draft = look_at_draft(desk.stores, checked.taken())
        page = Response(draft_html(summary_of(draft), query["unit"]), content_type="text/html; charset=utf-8")
        page.headers["Content-Security-Policy"] = PAGE_POLICY
        return page

    @blueprint.route("/drafts/summary.txt", methods=["POST"])
    @blueprint.arguments(CatalogueUploadSchema(), example=EXAMPLE)
    @blueprint.arguments(DraftQuery(), location="query")
    @blueprint.response(200, {"type": "string"}, content_type="text/plain")
    @blueprint.problems(422)
    def write(checked: Checked, query: dict[str, Any]) -> Response:
        """The same as plain text."""
        draft = look_at_draft(desk.stores, checked.taken())
        text = draft_text(summary_of(draft), query["unit"]) + "\n"
        return Response(text, content_type="text/plain; charset=utf-8")

    return blueprint


def draft_json(draft: Draft, unit: LengthUnit) -> Json:
    """A draft as JSON, lengths in `unit`."""
    pairs = {
        "look_alikes_created": draft.created,
        "look_alikes_removed": draft.removed,
        "untellable": draft.untellable,
    }
    return {
        "against": draft.against,
        "unit": unit.value,
        "summary": list(summary_of(draft).lines),
        "counts": {kind: {one.value: draft.count(kind, one) for one in Became} for kind in ("core", "part")},
        "changes": [change.words for change in draft.changes[:CHANGES_SHOWN]],
        "look_alike_pairs": len(draft.alike),
        **{f"{name}_count": len(several) for name, several in pairs.items()},
        **{
            name: [look_alike_json(one, unit) for one in several[:LOOK_ALIKES_IN_REPORT]]
            for name, several in pairs.items()
        },
        "vanished": len(draft.vanished),
        "stranded": [
            {"part_number": one.part_number, "case": str(one.case), "reference": one.reference}
            for one in draft.stranded
        ],
    }
