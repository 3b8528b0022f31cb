"""The letter routes."""

from __future__ import annotations

from collections.abc import Callable
from uuid import UUID

from flask import Response

from service.documents.letter import Letter
from service.documents.letter_html import letter_html
from service.documents.letter_text import letter_text
from service.web.access import caller
from service.web.api.letters.schemas import LetterRequestSchema, LetterSchema, LettersSchema, letter_json
from service.web.blueprint import Blueprint
from service.web.replies import (
    IDEMPOTENCY_PARAMETER,
    LOCATION_HEADER,
    PAGE_POLICY,
    PRIVATE,
    answer_once,
    json_reply,
    json_response,
    shown_as,
)
from service.workflows.desk import Desk
from service.workflows.ports.sending import KeptLetter
from service.workflows.ports.stores import Reply, Transaction
from service.workflows.sending.letters import Post, draft, find_letter, issue, letters_of, messages_of

TYPES = {"html": "text/html; charset=utf-8", "txt": "text/plain; charset=utf-8", "pdf": "application/pdf"}


def _pdf(letter: Letter) -> bytes:
    from service.documents.letter_pdf import letter_pdf  # here, because what draws it is slow to import

    return letter_pdf(letter)


_DRAWN: dict[str, Callable[[Letter], str | bytes]] = {"html": letter_html, "txt": letter_text, "pdf": _pdf}
_KEPT: dict[str, Callable[[KeptLetter], str | bytes]] = {
    "html": lambda letter: letter.html,
    "txt": lambda letter: letter.text,
    "pdf": lambda letter: letter.pdf,
}


def letters_blueprint(desk: Desk) -> Blueprint:
    """The routes for letters."""
    blueprint = Blueprint("letters", __name__, url_prefix="/v1", description="Letters to customers.")

    @blueprint.route("/submissions/<uuid:submission_id>/letters", methods=["POST"])
    @blueprint.arguments(LetterRequestSchema(), example={"email": True})
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(201, LetterSchema(), headers=LOCATION_HEADER)
    @blueprint.problems(404, 409, 422)
    def issue_one(said: tuple[Post, str | None], submission_id: UUID) -> Response:
        """Issue the letter that answers a submission: keep it as it is, mail it if asked to, and tell the stores."""
        post, person = said

        def work(transaction: Transaction) -> Reply:
            letter = issue(transaction, desk.stationery, caller(), submission_id, post, by=person)
            body = letter_json(letter, messages_of(transaction, letter))
            return json_reply(body, 201, Location=f"/v1/letters/{letter.id}", **PRIVATE)

        return answer_once(desk.stores, work)

    @blueprint.route("/submissions/<uuid:submission_id>/letters", methods=["GET"])
    @blueprint.response(200, LettersSchema())
    @blueprint.problems(404)
    def list_them(submission_id: UUID) -> Response:
        """The letters a submission was answered with, newest first."""
        with desk.stores.transaction() as transaction:
            found = letters_of(transaction, caller(), submission_id)
        return json_response({"items": [letter_json(*each) for each in found]}, 200, **PRIVATE)

    @blueprint.route("/letters/<uuid:letter_id>", methods=["GET"])
    @blueprint.response(200, LetterSchema())
    @blueprint.problems(404)
    def read_one(letter_id: UUID) -> Response:
        """A letter as it was issued, and what became of the messages that carry it."""
        with desk.stores.transaction() as transaction:
            body = letter_json(*find_letter(transaction, caller(), letter_id))
        return json_response(body, 200, **PRIVATE)

    for form in TYPES:
        _add_draft(blueprint, desk, form)
        _add_issued(blueprint, desk, form)
    return blueprint


def _add_draft(blueprint: Blueprint, desk: Desk, form: str) -> None:
    def view(submission_id: UUID) -> Response:
        with desk.stores.transaction() as transaction:
            letter = draft(transaction, desk.stationery, caller(), submission_id)
        return _document(form, _DRAWN[form](letter))

    view.__name__ = f"draft_{form}"
    view.__doc__ = f"The letter that a submission would be answered with now ({form}); nothing is kept or sent."
    _hang(blueprint, "/submissions/<uuid:submission_id>", form, view)


def _add_issued(blueprint: Blueprint, desk: Desk, form: str) -> None:
    def view(letter_id: UUID) -> Response:
        with desk.stores.transaction() as transaction:
            letter, _ = find_letter(transaction, caller(), letter_id)
        return _document(form, _KEPT[form](letter))

    view.__name__ = f"issued_{form}"
    view.__doc__ = f"A letter as it was issued ({form})."
    _hang(blueprint, "/letters/<uuid:letter_id>", form, view)


def _hang(blueprint: Blueprint, rule: str, form: str, view: Callable[..., Response]) -> None:
    schema = {"type": "string", "contentMediaType": "application/pdf"} if form == "pdf" else {"type": "string"}
    documented = blueprint.response(200, schema, content_type=TYPES[form].partition(";")[0])(view)
    blueprint.route(f"{rule}/letter.{form}", methods=["GET"])(blueprint.problems(404)(documented))


def _document(form: str, body: str | bytes) -> Response:
    return shown_as(Response(body, content_type=TYPES[form]), f"letter.{form}", PAGE_POLICY)
