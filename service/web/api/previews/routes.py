"""`POST /v1/previews`: a submission's answer without the submission."""

from __future__ import annotations

import marshmallow as ma
from flask import Response

from service.documents.chart import draw_chart
from service.domain.access import STAFF
from service.domain.readings import Submission
from service.web.access import caller
from service.web.api.submissions.answer import said_of
from service.web.api.submissions.answer_schemas import SaidSchema
from service.web.api.submissions.examples import SUBMISSION_EXAMPLES
from service.web.api.submissions.schemas import SubmissionSchema
from service.web.blueprint import Blueprint
from service.web.replies import json_response
from service.workflows.desk import Desk
from service.workflows.identifying.preview import preview


class PreviewSchema(SaidSchema):
    """What the readings say so far; nothing is kept, and nobody is called."""

    chart = ma.fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "The readings against the leading candidates, as SVG; null for a widget key."},
    )


def previews_blueprint(desk: Desk) -> Blueprint:
    """The route for previews."""
    blueprint = Blueprint("previews", __name__, url_prefix="/v1/previews", description="Answers not kept.")

    @blueprint.route("", methods=["POST"])
    @blueprint.arguments(SubmissionSchema(), examples=SUBMISSION_EXAMPLES)
    @blueprint.response(200, PreviewSchema())
    @blueprint.problems(422)
    def preview_one(submission: Submission) -> Response:
        """Say what the answer to a submission would be, and keep nothing.

        For a page that answers while readings are typed. The same readings sent to `POST /v1/submissions` get the same
        answer, out of the cache.
        """
        answered = preview(desk.stores, desk.answering, submission)
        role = caller().role
        said = said_of(submission, answered.identification, answered.catalogue_revision, role)
        said["chart"] = draw_chart(submission, answered.identification) if role in STAFF else None
        return json_response(said)

    return blueprint
