"""The review routes."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from flask import Response, request

from service.domain.review import Verdict
from service.web.access import caller
from service.web.api.reviews.schemas import (
    ClaimSchema,
    DecidedReviewSchema,
    DecisionSchema,
    NoteSchema,
    QueueCountsSchema,
    ReleaseSchema,
    ReviewChangeSchema,
    ReviewNoteSchema,
    ReviewPageSchema,
    ReviewQuerySchema,
    ReviewSchema,
    ReviewSheetSchema,
)
from service.web.api.reviews.shown import (
    Json,
    counts_json,
    decision_json,
    found_json,
    note_json,
    review_json,
)
from service.web.api.submissions.answer import answer_json
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
    json_reply,
    json_response,
    respond,
)
from service.workflows.cases.queue import (
    Hand,
    Wish,
    change_review,
    claim_review,
    count_reviews,
    decide_review,
    extend_claim,
    find_review,
    list_reviews,
    note_on_review,
    release_review,
)
from service.workflows.cases.sheet import ReviewSheet, review_sheet
from service.workflows.desk import Desk
from service.workflows.ports.reviews import Review, ReviewChange
from service.workflows.ports.stores import Reply, Transaction

DECISION_EXAMPLE = {
    "outcome": "part",
    "part_number": "KG8-3J7",
    "confidence": "sure",
    "reason": "The exhaust lobe settles it.",
}


def reviews_blueprint(desk: Desk) -> Blueprint:
    """The routes for the human queue."""
    blueprint = Blueprint("reviews", __name__, url_prefix="/v1/reviews", description="Cases put before a person.")

    @blueprint.route("", methods=["GET"])
    @blueprint.arguments(ReviewQuerySchema(), location="query")
    @blueprint.response(200, ReviewPageSchema())
    def list_all(query: dict[str, Any]) -> Response:
        """The queue, first opened first."""
        after = None if query["cursor"] is None else decode_cursor(query["cursor"])
        page = list_reviews(desk.stores, query["state"], after, query["limit"])
        cursor = None if page.last is None else encode_cursor(page.last)
        return json_response({"items": [review_json(review) for review in page.reviews], "next_cursor": cursor})

    @blueprint.route("/counts", methods=["GET"])
    @blueprint.response(200, QueueCountsSchema())
    def count_all() -> Response:
        """How many reviews there are, by state and by how long ago they were opened."""
        return json_response(counts_json(count_reviews(desk.stores)))

    @blueprint.route("/claim", methods=["POST"])
    @blueprint.arguments(ClaimSchema(), required=False)
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(200, ReviewSchema(), headers=ETAG_HEADER)
    @blueprint.alt_response(204, description="None waits that fits.")
    @blueprint.problems(404, 409, 422)
    def claim_one(wish: Wish) -> Response:
        """Take the next review: the most urgent, and of these the one that is owed first.

        It is yours until the lease runs out; what you do with it begins the lease again.
        """

        def work(transaction: Transaction) -> Reply:
            review = claim_review(transaction, caller(), wish, desk.rules)
            return Reply(204, (), b"") if review is None else _reply(review, review_json(review))

        return answer_once(desk.stores, work)

    @blueprint.route("/<uuid:review_id>", methods=["GET"])
    @blueprint.response(200, ReviewSheetSchema(), headers=ETAG_HEADER)
    @blueprint.problems(404)
    def read_one(review_id: UUID) -> Response:
        """Everything there is to go by: readings and evidence, history, look-alikes, notes."""
        sheet = review_sheet(desk.stores, caller(), review_id, desk.look_alikes)
        return respond(_reply(sheet.review, _sheet_json(sheet)))

    @blueprint.route("/<uuid:review_id>", methods=["PATCH"])
    @blueprint.arguments(ReviewChangeSchema(), example={"priority": "urgent", "assigned_to": "J. Moll"})
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER, IF_MATCH_PARAMETER])
    @blueprint.response(200, ReviewSchema(), headers=ETAG_HEADER)
    @blueprint.problems(404, 409, 412, 422)
    def change_one(said: tuple[ReviewChange, str | None], review_id: UUID) -> Response:
        """Set how soon a review comes, when it is owed, or who alone may claim it."""
        change, person = said

        def work(transaction: Transaction) -> Reply:
            wanted = _revision_wanted(transaction, review_id)
            review = change_review(transaction, Hand(caller(), person), review_id, change, wanted)
            return _reply(review, review_json(review))

        return answer_once(desk.stores, work)

    @blueprint.route("/<uuid:review_id>/release", methods=["POST"])
    @blueprint.arguments(ReleaseSchema(), example={"reason": "Needs somebody who knows this core."})
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER, IF_MATCH_PARAMETER])
    @blueprint.response(200, ReviewSchema(), headers=ETAG_HEADER)
    @blueprint.problems(404, 409, 412, 422)
    def release_one(body: dict[str, Any], review_id: UUID) -> Response:
        """Give a review back to the queue, saying why."""

        def work(transaction: Transaction) -> Reply:
            wanted = _revision_wanted(transaction, review_id)
            review = release_review(transaction, Hand(caller(), body.get("person")), review_id, body["reason"], wanted)
            return _reply(review, review_json(review))

        return answer_once(desk.stores, work)

    @blueprint.route("/<uuid:review_id>/lease", methods=["POST"])
    @blueprint.response(200, ReviewSchema(), headers=ETAG_HEADER)
    @blueprint.problems(404, 409)
    def extend_one(review_id: UUID) -> Response:
        """Say that you are still at it: your lease begins again."""
        with desk.stores.transaction() as transaction:
            review = extend_claim(transaction, caller(), review_id)
        return respond(_reply(review, review_json(review)))

    @blueprint.route("/<uuid:review_id>/notes", methods=["POST"])
    @blueprint.arguments(ReviewNoteSchema(), example={"text": "Asked for the exhaust base circle; will call back."})
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(201, NoteSchema())
    @blueprint.problems(404, 409, 422)
    def note_on_one(body: dict[str, Any], review_id: UUID) -> Response:
        """Write something down for the desk; if the review is yours, your lease begins again."""

        def work(transaction: Transaction) -> Reply:
            note = note_on_review(transaction, Hand(caller(), body.get("person")), review_id, body["text"])
            return json_reply(note_json(note), 201)

        return answer_once(desk.stores, work)

    @blueprint.route("/<uuid:review_id>/decision", methods=["POST"])
    @blueprint.arguments(DecisionSchema(), example=DECISION_EXAMPLE)
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER, IF_MATCH_PARAMETER])
    @blueprint.response(200, DecidedReviewSchema(), headers=ETAG_HEADER)
    @blueprint.problems(404, 409, 412, 422)
    def decide_one(said: tuple[Verdict, str | None], review_id: UUID) -> Response:
        """Decide a review that you have claimed.

        With If-Match only what you saw is decided: 412 where readings have come in since. 409 where your claim has
        lapsed, the review is in other hands, or is settled; then nothing has been decided.
        """

        def work(transaction: Transaction) -> Reply:
            wanted = _revision_wanted(transaction, review_id)
            verdict, person = said
            hand = Hand(caller(), person)
            review, decision = decide_review(transaction, hand, review_id, verdict, wanted, desk.rules)
            return _reply(review, review_json(review) | {"decision": decision_json(decision)})

        return answer_once(desk.stores, work)

    return blueprint


def _etag(review: Review) -> str:
    return str(review.row_revision)


def _revision_wanted(transaction: Transaction, review_id: UUID) -> int | None:
    """The revision a client asked for with If-Match, None where it did not; raises `StaleRevision` for another."""
    if "If-Match" not in request.headers:
        return None
    review = find_review(transaction, review_id)
    check_if_match(_etag(review))
    return review.row_revision


def _reply(review: Review, body: Json) -> Reply:
    return json_reply(body, 200, ETag=f'"{_etag(review)}"', **PRIVATE)


def _sheet_json(sheet: ReviewSheet) -> Json:
    case = sheet.case
    return review_json(sheet.review) | {
        "submission": answer_json(case, caller().role),
        "chart": f"/v1/submissions/{case.id}/chart.svg",
        "rounds": case.latest.number,
        "history": [found_json(other) for other in sheet.history],
        "look_alikes": [
            {"part_number": pair.part_number, "other": pair.other, "separated_by": pair.separated_by.value}
            for pair in sheet.look_alikes
        ],
        "decisions": [decision_json(decision) for decision in sheet.decisions],
        "notes": [note_json(note) for note in sheet.notes],
    }
