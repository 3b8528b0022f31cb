"""The submission routes: schema in, workflow, JSON out."""

from __future__ import annotations

from uuid import UUID

from flask import Response

from service.documents.chart import draw_chart
from service.domain.readings import Submission
from service.web.access import caller
from service.web.api.submissions.answer import answer_json
from service.web.api.submissions.answer_schemas import AnswerToSubmissionSchema
from service.web.api.submissions.examples import ADDITION_EXAMPLES, SUBMISSION_EXAMPLES
from service.web.api.submissions.schemas import AdditionSchema, SubmissionSchema
from service.web.blueprint import Blueprint
from service.web.drawings import SVG_TYPE, drawing_response
from service.web.replies import (
    ETAG_HEADER,
    IDEMPOTENCY_PARAMETER,
    IF_MATCH_PARAMETER,
    IF_NONE_MATCH_PARAMETER,
    LOCATION_HEADER,
    PRIVATE,
    check_if_match,
    identify_once,
    json_reply,
    json_response,
    unless_unchanged,
)
from service.workflows.desk import Desk
from service.workflows.identifying.at_hand import AtHand
from service.workflows.identifying.identify import (
    Addition,
    add_to_submission,
    as_own,
    hold_to_add_to,
    open_submission,
    read_submission,
)
from service.workflows.ports.stores import Case, Reply, Transaction

ANSWER = AnswerToSubmissionSchema()


def submissions_blueprint(desk: Desk) -> Blueprint:
    """The routes for submissions."""
    blueprint = Blueprint("submissions", __name__, url_prefix="/v1/submissions", description="Readings in, answer out.")

    @blueprint.route("", methods=["POST"])
    @blueprint.arguments(SubmissionSchema(), examples=SUBMISSION_EXAMPLES)
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(201, ANSWER, headers=LOCATION_HEADER | ETAG_HEADER)
    @blueprint.problems(409, 422)
    def open_one(submission: Submission) -> Response:
        """Identify a shaft from readings of it.

        The submission is kept with its answer, the engine's version and the catalogue's revision.
        """

        def work(transaction: Transaction, at_hand: AtHand) -> Reply:
            case = open_submission(transaction, at_hand, caller(), submission, desk.rules)
            return _reply(case, 201, Location=f"/v1/submissions/{case.id}")

        return identify_once(desk, work, first=lambda at_hand: at_hand.answer(submission), one_statement=True)

    @blueprint.route("/<uuid:submission_id>", methods=["GET"])
    @blueprint.doc(parameters=[IF_NONE_MATCH_PARAMETER])
    @blueprint.response(200, ANSWER, headers=ETAG_HEADER)
    @blueprint.alt_response(304, description="Unchanged.", headers=ETAG_HEADER)
    @blueprint.problems(404)
    def read_one(submission_id: UUID) -> Response:
        """A submission and its latest answer."""
        with desk.stores.transaction() as transaction:
            case = read_submission(transaction, caller(), submission_id)
        return unless_unchanged(etag_of(case), lambda: json_response(answer_json(case, caller().role)))

    @blueprint.route("/<uuid:submission_id>/chart.svg", methods=["GET"])
    @blueprint.doc(parameters=[IF_NONE_MATCH_PARAMETER])
    @blueprint.response(200, {"type": "string"}, content_type=SVG_TYPE, headers=ETAG_HEADER)
    @blueprint.alt_response(304, description="Unchanged.", headers=ETAG_HEADER)
    @blueprint.problems(404)
    def draw_one(submission_id: UUID) -> Response:
        """The readings against the leading candidates, with their uncertainty; for a widget key the readings alone."""
        with desk.stores.transaction() as transaction:
            case = read_submission(transaction, caller(), submission_id)
        return unless_unchanged(etag_of(case), lambda: _chart(case))

    @blueprint.route("/<uuid:submission_id>/readings", methods=["POST"])
    @blueprint.arguments(AdditionSchema(), examples=ADDITION_EXAMPLES)
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER, IF_MATCH_PARAMETER])
    @blueprint.response(200, ANSWER, headers=ETAG_HEADER)
    @blueprint.problems(404, 409, 412, 422)
    def add_readings(addition: Addition, submission_id: UUID) -> Response:
        """Add readings to a submission and identify it again from all of them."""
        return add_once(desk, addition, submission_id)

    return blueprint


def add_once(desk: Desk, addition: Addition, submission_id: UUID) -> Response:
    """Add what the caller has to add to a submission, once for each Idempotency-Key."""

    def work(transaction: Transaction, at_hand: AtHand) -> Reply:
        own, held = hold_to_add_to(transaction, caller(), submission_id)
        check_if_match(etag_of(as_own(own, held)))
        case = add_to_submission(transaction, at_hand, caller(), held, addition, desk.rules)
        return _reply(as_own(own, case), 200)

    return identify_once(desk, work)


def etag_of(case: Case) -> str:
    """The entity tag of a case as its caller sees it: the row's revision, its review's, and whose eyes."""
    review = 0 if case.review is None else case.review.row_revision
    return f"{case.row_revision}.{review}-{caller().role}"


def _chart(case: Case) -> Response:
    return drawing_response(draw_chart(case.submission, case.latest.identification))


def _reply(case: Case, status: int, **headers: str) -> Reply:
    return json_reply(answer_json(case, caller().role), status, ETag=f'"{etag_of(case)}"', **headers, **PRIVATE)
