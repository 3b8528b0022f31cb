"""The routes for whole cases."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from uuid import UUID

from flask import Response

from service.domain.casework import ClosedWhy
from service.domain.review import Verdict
from service.web.access import caller
from service.web.api.cases.schemas import (
    CaseFileSchema,
    CasePageSchema,
    CaseQuerySchema,
    CloseSchema,
    ConfirmationSchema,
    KeptConfirmationSchema,
    MergedSchema,
    MergeSchema,
    OrderedSchema,
    OrderSchema,
    OverruleSchema,
    WhySchema,
    first_moment,
    moment_after,
)
from service.web.api.cases.shown import case_file_json, confirmation_json
from service.web.api.reviews.routes import DECISION_EXAMPLE
from service.web.api.reviews.schemas import KeptDecisionSchema, NoteSchema, ReviewNoteSchema
from service.web.api.reviews.shown import decision_json, found_json, note_json
from service.web.api.submissions.answer import answer_json
from service.web.api.submissions.answer_schemas import AnswerToSubmissionSchema
from service.web.api.submissions.routes import etag_of
from service.web.blueprint import Blueprint
from service.web.replies import (
    ETAG_HEADER,
    IDEMPOTENCY_PARAMETER,
    IF_MATCH_PARAMETER,
    PRIVATE,
    answer_once,
    check_if_match,
    decode_cursor,
    encode_cursor,
    identify_once,
    json_reply,
    json_response,
)
from service.workflows.cases.casework import (
    close,
    hand_to_order,
    hold_pair,
    merge,
    note_on_case,
    overrule,
    reopen,
)
from service.workflows.cases.confirm import confirm
from service.workflows.cases.find_cases import case_file, find_cases, finder_of
from service.workflows.cases.queue import Hand
from service.workflows.desk import Desk
from service.workflows.identifying.at_hand import AtHand
from service.workflows.identifying.identify import hold_case
from service.workflows.ports.stores import Case, Reply, Transaction

ANSWER = AnswerToSubmissionSchema()
WRITE = [IDEMPOTENCY_PARAMETER, IF_MATCH_PARAMETER]


def cases_blueprint(desk: Desk) -> Blueprint:
    """The routes for finding cases, and for what is done with one. A case's id is its submission's."""
    blueprint = Blueprint("cases", __name__, url_prefix="/v1/cases", description="Whole cases, for the desk.")

    @blueprint.route("", methods=["GET"])
    @blueprint.arguments(CaseQuerySchema(), location="query")
    @blueprint.response(200, CasePageSchema())
    def find(query: dict[str, Any]) -> Response:
        """Find cases by what somebody on the telephone knows, newest first."""
        finder = replace(
            finder_of(query["reference"], query["name"], query["email"], query["phone"], query["part"]),
            opened_from=first_moment(query),
            opened_before=moment_after(query),
            is_open=query["open"],
            left_half_done=query["left_half_done"],
        )
        before = None if query["cursor"] is None else decode_cursor(query["cursor"])
        with desk.stores.transaction() as transaction:
            found, last = find_cases(transaction, caller(), finder, before, query["limit"])
        cursor = None if last is None else encode_cursor(last)
        return json_response({"items": [found_json(case) for case in found], "next_cursor": cursor})

    @blueprint.route("/<uuid:submission_id>", methods=["GET"])
    @blueprint.response(200, CaseFileSchema(), headers=ETAG_HEADER)
    @blueprint.problems(404)
    def read_one(submission_id: UUID) -> Response:
        """All there is about one case: every answer, decision, note and confirmation, and who saw and changed what."""
        with desk.stores.transaction() as transaction:
            file = case_file(transaction, caller(), submission_id)
        headers = {"ETag": f'"{etag_of(file.case)}"'} | PRIVATE
        return json_response(case_file_json(file, caller().role), 200, **headers)

    @blueprint.route("/<uuid:submission_id>/overrule", methods=["POST"])
    @blueprint.arguments(OverruleSchema(), example=DECISION_EXAMPLE)
    @blueprint.doc(parameters=WRITE)
    @blueprint.response(200, KeptDecisionSchema())
    @blueprint.problems(404, 409, 412, 422)
    def overrule_one(said: tuple[Verdict, str | None], submission_id: UUID) -> Response:
        """Put your word in the place of the answer, in mid-call; an open review of the case is decided by it."""
        verdict, person = said

        def work(transaction: Transaction) -> Reply:
            case = _held(transaction, submission_id)
            return json_reply(decision_json(overrule(transaction, Hand(caller(), person), case, verdict, desk.rules)))

        return answer_once(desk.stores, work)

    @blueprint.route("/<uuid:submission_id>/notes", methods=["POST"])
    @blueprint.arguments(ReviewNoteSchema(), example={"text": "Will measure the exhaust lobe tonight."})
    @blueprint.doc(parameters=WRITE)
    @blueprint.response(201, NoteSchema())
    @blueprint.problems(404, 409, 412, 422)
    def note_on_one(body: dict[str, Any], submission_id: UUID) -> Response:
        """Write something down for the desk."""

        def work(transaction: Transaction) -> Reply:
            case = _held(transaction, submission_id)
            return json_reply(note_json(note_on_case(transaction, _hand(body), case, body["text"])), 201)

        return answer_once(desk.stores, work)

    @blueprint.route("/<uuid:submission_id>/reopen", methods=["POST"])
    @blueprint.arguments(WhySchema(), example={"reason": "The customer has measured the other lobe."})
    @blueprint.doc(parameters=WRITE)
    @blueprint.response(200, ANSWER)
    @blueprint.problems(404, 409, 412, 422)
    def reopen_one(body: dict[str, Any], submission_id: UUID) -> Response:
        """Put a decided or closed case before a person again."""

        def work(transaction: Transaction) -> Reply:
            case = _held(transaction, submission_id)
            reopen(transaction, _hand(body), case, body["reason"], desk.rules)
            return _answer(transaction, submission_id)

        return answer_once(desk.stores, work)

    @blueprint.route("/<uuid:submission_id>/close", methods=["POST"])
    @blueprint.arguments(CloseSchema(), example={"reason": "Told on the telephone."})
    @blueprint.doc(parameters=WRITE)
    @blueprint.response(200, ANSWER)
    @blueprint.problems(404, 409, 412, 422)
    def close_one(body: dict[str, Any], submission_id: UUID) -> Response:
        """Close a case; what waits of it in the queue is taken off."""

        def work(transaction: Transaction) -> Reply:
            case = _held(transaction, submission_id)
            close(transaction, _hand(body), case, ClosedWhy(body["why"]), body["reason"])
            return _answer(transaction, submission_id)

        return answer_once(desk.stores, work)

    @blueprint.route("/<uuid:submission_id>/merge", methods=["POST"])
    @blueprint.arguments(MergeSchema())
    @blueprint.doc(parameters=WRITE)
    @blueprint.response(200, MergedSchema())
    @blueprint.problems(404, 409, 412, 422)
    def merge_one(body: dict[str, Any], submission_id: UUID) -> Response:
        """Make this case part of another of the same shaft, which is then answered from the readings of both.

        A reading that both have, digit for digit, was sent twice and counts once.
        """

        def work(transaction: Transaction, at_hand: AtHand) -> Reply:
            case, into = hold_pair(transaction, submission_id, UUID(body["into"]))
            check_if_match(etag_of(case))
            merged = merge(transaction, at_hand, _hand(body), case, into, body["reason"], desk.rules)
            shown = {"readings_added": merged.readings, "submission": answer_json(merged.case, caller().role)}
            return json_reply(shown)

        return identify_once(desk, work)

    @blueprint.route("/<uuid:submission_id>/order", methods=["POST"])
    @blueprint.arguments(OrderSchema(), required=False)
    @blueprint.doc(parameters=WRITE)
    @blueprint.response(200, OrderedSchema())
    @blueprint.problems(404, 409, 412, 422)
    def order_one(body: dict[str, Any], submission_id: UUID) -> Response:
        """Hand a case to an order: it is closed, and the shop is told by webhook (`case.ordered`)."""

        def work(transaction: Transaction) -> Reply:
            case = _held(transaction, submission_id)
            order = body.get("order_reference")
            part = hand_to_order(transaction, _hand(body), case, body.get("part_number"), order)
            return json_reply({"reference": case.reference, "part_number": part, "order_reference": order})

        return answer_once(desk.stores, work)

    @blueprint.route("/<uuid:submission_id>/confirmations", methods=["POST"])
    @blueprint.arguments(
        ConfirmationSchema(), example={"source": "box_found", "outcome": "part", "part_number": "KG8-3J7"}
    )
    @blueprint.doc(parameters=WRITE)
    @blueprint.response(201, KeptConfirmationSchema())
    @blueprint.problems(404, 409, 412, 422)
    def confirm_one(body: dict[str, Any], submission_id: UUID) -> Response:
        """Say what the shaft turned out to be; the desk learns from it how far to trust what."""

        def work(transaction: Transaction) -> Reply:
            case = _held(transaction, submission_id)
            kept = confirm(transaction, _hand(body), case, body["source"], body.get("part_number"), body.get("note"))
            return json_reply(confirmation_json(kept), 201)

        return answer_once(desk.stores, work)

    return blueprint


def _hand(body: dict[str, Any]) -> Hand:
    return Hand(caller(), body.get("person"))


def _held(transaction: Transaction, case_id: UUID) -> Case:
    """The case, held; raises `StaleRevision` where the client asked with If-Match for another state of it."""
    case = hold_case(transaction, case_id)
    check_if_match(etag_of(case))
    return case


def _answer(transaction: Transaction, case_id: UUID) -> Reply:
    case = hold_case(transaction, case_id)
    return json_reply(answer_json(case, caller().role), 200, ETag=f'"{etag_of(case)}"', **PRIVATE)
