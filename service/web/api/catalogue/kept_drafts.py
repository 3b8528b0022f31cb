"""The routes for drafts that are kept: uploaded as files, read by their owner, published or discarded."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import marshmallow as ma
from flask import Response, request
from werkzeug.exceptions import RequestEntityTooLarge

from service.catalogue_files.named_files import WHAT_THERE_MAY_BE, check_files
from service.documents.catalogue_plots import draw_journals, draw_lifts, draw_look_alikes
from service.domain.errors import Fault, InvalidInput
from service.domain.units import LengthUnit
from service.web.access import caller
from service.web.api.catalogue.drafts import DraftFields, DraftQuery, draft_json
from service.web.api.catalogue.routes import NOTHING_DIFFERS, PREFIX, imported
from service.web.api.catalogue.schemas import ImportReportSchema
from service.web.blueprint import Blueprint
from service.web.fields import AnswerSchema, Text
from service.web.problems import WrongContentType
from service.web.replies import (
    ETAG_HEADER,
    IDEMPOTENCY_PARAMETER,
    IF_MATCH_PARAMETER,
    LOCATION_HEADER,
    answer_once,
    check_if_match,
    json_reply,
    json_response,
)
from service.workflows.catalogue.drafts import (
    OpenedDraft,
    corrected_sheet,
    discard_draft,
    keep_draft,
    list_drafts,
    open_draft,
    publish_draft,
    ready_draft,
)
from service.workflows.desk import Desk
from service.workflows.ports.drafts import Finding, KeptDraft
from service.workflows.ports.stores import Reply, Transaction

Json = dict[str, Any]

MOST_FILES = 3
LONGEST_NAME = 100

MULTIPART = "multipart/form-data"
FILES = {
    "required": True,
    "content": {
        MULTIPART: {
            "schema": {
                "type": "object",
                "required": ["files"],
                "additionalProperties": False,
                "properties": {
                    "files": {
                        "type": "array",
                        "minItems": 1,
                        "maxItems": MOST_FILES,
                        "items": {"type": "string", "contentMediaType": "application/octet-stream"},
                        "description": f"{WHAT_THERE_MAY_BE.capitalize()}. The file names say which is which.",
                    }
                },
            }
        }
    },
}
"""What an upload's body is, for the document."""


class FindingSchema(AnswerSchema):
    """One thing that is wrong, or doubtful."""

    place = ma.fields.String(
        required=True, metadata={"description": "`file:line:column` of a sheet, or a JSON Pointer into a JSON file."}
    )
    detail = ma.fields.String(required=True)
    value = ma.fields.String(required=True, allow_none=True, metadata={"description": "What stands there."})


class KeptDraftSchema(AnswerSchema):
    """A catalogue that was uploaded and is not published. `cores` and `parts` are null where there are faults."""

    id = ma.fields.UUID(required=True)
    name = ma.fields.String(required=True, metadata={"description": "The names of its files."})
    made_by = ma.fields.String(required=True)
    made_at = ma.fields.DateTime(required=True)
    cores = ma.fields.Integer(required=True, allow_none=True)
    parts = ma.fields.Integer(required=True, allow_none=True)
    fault_count = ma.fields.Integer(required=True)
    warning_count = ma.fields.Integer(required=True)


class KeptDraftsSchema(AnswerSchema):
    """All drafts that are kept, newest first."""

    items = ma.fields.List(ma.fields.Nested(KeptDraftSchema()), required=True)


class CatalogueDrawingSchema(AnswerSchema):
    """A drawing, as SVG."""

    title = ma.fields.String(required=True)
    svg = ma.fields.String(required=True)


class EffectsSchema(DraftFields):
    """What publishing would change, with drawings."""

    drawings = ma.fields.List(ma.fields.Nested(CatalogueDrawingSchema()), required=True)


class OpenedDraftSchema(KeptDraftSchema):
    """A draft as its owner reads it; faults and warnings the first thousand of each."""

    faults = ma.fields.List(ma.fields.Nested(FindingSchema()), required=True)
    warnings = ma.fields.List(ma.fields.Nested(FindingSchema()), required=True)
    remarks = ma.fields.List(
        ma.fields.String(), required=True, metadata={"description": "How the files were read where they may differ."}
    )
    corrected = ma.fields.List(
        ma.fields.String(),
        required=True,
        metadata={"description": "Sheets that are there as they should be, so far as that needs no guess."},
    )
    effects = ma.fields.Nested(
        EffectsSchema(), required=True, allow_none=True, metadata={"description": "Null where there are faults."}
    )


class PublishQuery(ma.Schema):
    """What goes with publishing."""

    reason = Text(longest=400, required=True, metadata={"description": "Why; kept with the new revision."})
    unit = ma.fields.Enum(LengthUnit, by_value=True, load_default=LengthUnit.INCH)


def kept_drafts_blueprint(desk: Desk, body_limit: int) -> Blueprint:
    """The routes for drafts that are kept; an upload may be as long as an import's body."""
    blueprint = Blueprint(
        "catalogue_kept_drafts", __name__, url_prefix=PREFIX, description="A catalogue before it is published."
    )

    def allow_long_body() -> None:
        request.max_content_length = body_limit

    blueprint.before_request(allow_long_body)

    @blueprint.route("/drafts", methods=["GET"])
    @blueprint.response(200, KeptDraftsSchema())
    def list_all() -> Response:
        """The drafts there are, newest first."""
        return json_response({"items": [_entry(kept) for kept in list_drafts(desk.stores)]})

    @blueprint.route("/drafts/files", methods=["POST"])
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER], requestBody=FILES)
    @blueprint.response(201, KeptDraftSchema(), headers=LOCATION_HEADER)
    @blueprint.problems(400, 409, 413, 415, 422)
    def upload() -> Response:
        """Keep a catalogue's files as a draft: CSV as spreadsheets write it, an .xlsx workbook, or JSON.

        Files with faults are kept too, so that every fault can be read; such a draft cannot be published.
        """
        files = _sent_files(body_limit)
        checked = check_files(files)

        def work(transaction: Transaction) -> Reply:
            kept = keep_draft(transaction, caller(), ", ".join(files), checked)
            return json_reply(_entry(kept), 201, Location=f"{PREFIX}/drafts/{kept.id}")

        return answer_once(desk.stores, work)

    @blueprint.route("/drafts/<uuid:draft_id>", methods=["GET"])
    @blueprint.arguments(DraftQuery(), location="query")
    @blueprint.response(200, OpenedDraftSchema(), headers=ETAG_HEADER)
    @blueprint.problems(404)
    def read(query: dict[str, Any], draft_id: UUID) -> Response:
        """A draft: what is wrong with it or doubtful, and what publishing it would change, with drawings.

        Its tag names the revision it is held against: sent with publishing as If-Match, nothing is published that was
        not seen so.
        """
        opened = open_draft(desk.stores, draft_id)
        against = 0 if opened.draft is None or opened.draft.against is None else opened.draft.against
        return json_response(_opened_json(opened, query["unit"]), 200, ETag=f'"{_tag(against)}"')

    @blueprint.route("/drafts/<uuid:draft_id>", methods=["DELETE"])
    @blueprint.response(204)
    @blueprint.problems(404)
    def discard(draft_id: UUID) -> Response:
        """Keep a draft no longer."""
        with desk.stores.transaction() as transaction:
            discard_draft(transaction, caller(), draft_id)
        return Response(status=204)

    @blueprint.route("/drafts/<uuid:draft_id>/corrected/<string:sheet>", methods=["GET"])
    @blueprint.response(200, {"type": "string"}, content_type="text/csv")
    @blueprint.problems(404)
    def read_corrected(draft_id: UUID, sheet: str) -> Response:
        """A sheet as it should be: what could mean two things stays as it was written, for a person to settle."""
        return Response(corrected_sheet(desk.stores, draft_id, sheet), content_type="text/csv; charset=utf-8")

    @blueprint.route("/drafts/<uuid:draft_id>/publish", methods=["POST"])
    @blueprint.arguments(PublishQuery(), location="query")
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER, IF_MATCH_PARAMETER])
    @blueprint.response(201, ImportReportSchema(), headers=LOCATION_HEADER)
    @blueprint.alt_response(200, schema=ImportReportSchema(), description=NOTHING_DIFFERS, headers=LOCATION_HEADER)
    @blueprint.problems(404, 409, 412)
    def publish(query: dict[str, Any], draft_id: UUID) -> Response:
        """Make a draft the active revision, all of it or nothing.

        With If-Match 412 where another revision has become active since it was read. Where nothing differs from the
        active revision none is made, and no case is asked again; a draft it is no longer.
        """
        ready = ready_draft(desk.stores, draft_id)

        def work(transaction: Transaction) -> Reply:
            def same(active: int) -> None:
                check_if_match(_tag(active))

            report = publish_draft(transaction, caller(), draft_id, ready, same, query["reason"])
            return imported(report, query["unit"], ())

        return answer_once(desk.stores, work)

    return blueprint


def _tag(against: int) -> str:
    return f"against-{against}"


def _sent_files(body_limit: int) -> dict[str, bytes]:
    """The files of an upload by their names; raises `InvalidInput`."""
    if request.mimetype != MULTIPART:
        raise WrongContentType(f"Files are sent as {MULTIPART}.")
    body = request.get_data(cache=True, parse_form_data=False)
    # werkzeug cuts a body that does not state its length off at the limit, without a word
    if request.content_length is None and len(body) >= body_limit:
        raise RequestEntityTooLarge
    sent = request.files.getlist("files")
    if not 1 <= len(sent) <= MOST_FILES or len(request.files) != 1 or request.form:
        raise InvalidInput(faults=(Fault("/files", f"Send as `files` {WHAT_THERE_MAY_BE}."),))
    files: dict[str, bytes] = {}
    for file in sent:
        name = (file.filename or "").replace("\\", "/").rpartition("/")[2]
        if not name or not name.isprintable() or len(name) > LONGEST_NAME or name in files:
            raise InvalidInput(faults=(Fault("/files", "Every file needs a name of its own."),))
        files[name] = file.read()
    return files


def _entry(kept: KeptDraft) -> Json:
    return {
        "id": str(kept.id),
        "name": kept.name,
        "made_by": kept.made_by,
        "made_at": kept.made_at.isoformat(),
        "cores": kept.cores,
        "parts": kept.parts,
        "fault_count": kept.findings.fault_count,
        "warning_count": kept.findings.warning_count,
    }


def _opened_json(opened: OpenedDraft, unit: LengthUnit) -> Json:
    found, draft = opened.kept.findings, opened.draft
    effects: Json | None = None
    if draft is not None:
        effects = draft_json(draft, unit) | {
            "drawings": [
                {"title": title, "svg": svg}
                for title, svg in (
                    ("Lifts by core", draw_lifts(draft.catalogue, unit)),
                    ("Journals by core", draw_journals(draft.catalogue, unit)),
                    ("Look-alikes", draw_look_alikes(draft.alike, draft.created)),
                )
            ]
        }
    return _entry(opened.kept) | {
        "faults": [_finding_json(one) for one in found.faults],
        "warnings": [_finding_json(one) for one in found.warnings],
        "remarks": list(found.remarks),
        "corrected": list(found.sheets),
        "effects": effects,
    }


def _finding_json(one: Finding) -> Json:
    return {"place": one.place, "detail": one.detail, "value": one.value}
