"""The routes that say how far asking cases again under a revision has come, and which answers became others."""

from __future__ import annotations

from typing import Any

import marshmallow as ma
from flask import Response

from service.domain.identification import AnswerState
from service.web.blueprint import Blueprint
from service.web.fields import AnswerSchema
from service.web.replies import CURSOR_PATTERN, PageQuery, decode_cursor, encode_cursor, json_response
from service.workflows.cases.reidentify import list_changes, progress_of
from service.workflows.desk import Desk
from service.workflows.ports.reidentification import ChangedAnswer, Progress, Said

STATES = ("waiting", "running", "finished", "overtaken")


class ReidentificationSchema(AnswerSchema):
    """How far asking open and recent cases again has come."""

    catalogue_revision = ma.fields.Integer(required=True)
    state = ma.fields.String(
        required=True,
        validate=ma.validate.OneOf(STATES),
        metadata={"description": "`overtaken`: a newer revision came, and the cases are asked under that one."},
    )
    made_at = ma.fields.String(required=True)
    begun_at = ma.fields.String(required=True, allow_none=True)
    finished_at = ma.fields.String(required=True, allow_none=True)
    done = ma.fields.Integer(required=True, metadata={"description": "Cases that have been dealt with."})
    remaining = ma.fields.Integer(
        required=True, allow_none=True, metadata={"description": "Cases still to come; null before it has begun."}
    )
    changed = ma.fields.Integer(required=True, metadata={"description": "Answers that became others."})
    told_otherwise = ma.fields.Integer(
        required=True, metadata={"description": "Of those, how many contradict what a customer was told."}
    )


class SaidSchema(AnswerSchema):
    """What an answer said."""

    state = ma.fields.Enum(AnswerState, by_value=True, required=True)
    part_number = ma.fields.String(
        required=True, allow_none=True, metadata={"description": "The leading candidate, whatever the state."}
    )
    catalogue_revision = ma.fields.Integer(required=True)


class ChangedAnswerSchema(AnswerSchema):
    """An answer that became another; both are kept with the case."""

    submission_id = ma.fields.UUID(required=True)
    reference = ma.fields.String(required=True)
    is_open = ma.fields.Boolean(required=True)
    before = ma.fields.Nested(SaidSchema(), required=True)
    after = ma.fields.Nested(SaidSchema(), required=True)
    told_otherwise = ma.fields.Boolean(required=True)
    review = ma.fields.UUID(
        required=True, allow_none=True, metadata={"description": "The review that waits for a person, or waited."}
    )
    changed_at = ma.fields.String(required=True)


class ChangedAnswerPageSchema(AnswerSchema):
    """A page of changed answers."""

    items = ma.fields.List(ma.fields.Nested(ChangedAnswerSchema()), required=True)
    next_cursor = ma.fields.String(required=True, allow_none=True, validate=ma.validate.Regexp(CURSOR_PATTERN))


def reidentification_blueprint(desk: Desk) -> Blueprint:
    """The routes about asking cases again."""
    blueprint = Blueprint(
        "reidentification", __name__, url_prefix="/v1/catalogue", description="Cases asked again under a new catalogue."
    )

    @blueprint.route("/revisions/<int:revision>/reidentification", methods=["GET"])
    @blueprint.response(200, ReidentificationSchema())
    @blueprint.problems(404)
    def read_reidentification(revision: int) -> Response:
        """How far asking open and recent cases again under a revision has come.

        A worker does it once the revision is active. Nothing of it is sent to a customer: where one was told
        otherwise, the case waits in the queue for a person, and the customer sees what they were told until then.
        """
        return json_response(_progress_json(progress_of(desk.stores, revision)))

    @blueprint.route("/revisions/<int:revision>/reidentification/changes", methods=["GET"])
    @blueprint.arguments(PageQuery(), location="query")
    @blueprint.response(200, ChangedAnswerPageSchema())
    @blueprint.problems(404)
    def list_changed_answers(query: dict[str, Any], revision: int) -> Response:
        """Answers that became others under a revision, in the order their cases were opened."""
        after = None if query["cursor"] is None else decode_cursor(query["cursor"])
        found, last = list_changes(desk.stores, revision, after, query["limit"])
        cursor = None if last is None else encode_cursor(last)
        return json_response({"items": [_change_json(change) for change in found], "next_cursor": cursor})

    return blueprint


def _progress_json(progress: Progress) -> dict[str, Any]:
    return {
        "catalogue_revision": progress.catalogue_revision,
        "state": progress.state,
        "made_at": progress.made_at.isoformat(),
        "begun_at": None if progress.begun_at is None else progress.begun_at.isoformat(),
        "finished_at": None if progress.finished_at is None else progress.finished_at.isoformat(),
        "done": progress.done,
        "remaining": progress.remaining,
        "changed": progress.changed,
        "told_otherwise": progress.told_otherwise,
    }


def _said_json(said: Said) -> dict[str, Any]:
    return {
        "state": said.state.value,
        "part_number": said.part_number,
        "catalogue_revision": said.catalogue_revision,
    }


def _change_json(change: ChangedAnswer) -> dict[str, Any]:
    return {
        "submission_id": str(change.submission_id),
        "reference": change.reference,
        "is_open": change.is_open,
        "before": _said_json(change.before),
        "after": _said_json(change.after),
        "told_otherwise": change.told_otherwise,
        "review": None if change.review_id is None else str(change.review_id),
        "changed_at": change.changed_at.isoformat(),
    }
