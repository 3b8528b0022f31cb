"""Ready responses: JSON, ETags, pages of a list, and writes that may be sent twice."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any
from uuid import UUID

import marshmallow as ma
import orjson
from flask import Response, request

from service.domain.errors import PreconditionNeeded, StaleRevision
from service.web.access import caller, which_caller
from service.web.fields import QueryWhole, Text
from service.web.problems import InvalidRequest, LocatedFault
from service.workflows.desk import Desk
from service.workflows.identifying.at_hand import AtHand, with_answers
from service.workflows.once import Claim, once
from service.workflows.ports.stores import Reply, Stores, Transaction

JSON_TYPE = "application/json"


def json_reply(body: Any, status: int = 200, **headers: str) -> Reply:
    """A JSON reply; header names are given with underscores (`Content_Location`)."""
    named = tuple((name.replace("_", "-"), value) for name, value in headers.items())
    return Reply(status, (("Content-Type", JSON_TYPE), *named), orjson.dumps(body))


def secret_reply(body: Any, status: int, **headers: str) -> Reply:
    """The same of what is shown once: where it is kept to be sent again, it lies as secrets do."""
    return replace(json_reply(body, status, **headers), secret=True)


def respond(reply: Reply) -> Response:
    """The reply as a Flask response."""
    return Response(reply.body, reply.status, headers=list(reply.headers))


def json_response(body: Any, status: int = 200, **headers: str) -> Response:
    """A JSON response."""
    return respond(json_reply(body, status, **headers))


# -- entity tags --------------------------------------------------------------------------------------------------

IF_MATCH_PARAMETER = {
    "in": "header",
    "name": "If-Match",
    "description": "Only if the ETag is still this one; otherwise 412.",
    "schema": {"type": "string"},
}
IF_NONE_MATCH_PARAMETER = {
    "in": "header",
    "name": "If-None-Match",
    "description": "Only if the ETag is no longer this one; otherwise 304.",
    "schema": {"type": "string"},
}
ETAG_HEADER = {"ETag": {"description": "The present state's tag.", "schema": {"type": "string"}}}
LOCATION_HEADER = {"Location": {"description": "Where it is.", "schema": {"type": "string"}}}
PRIVATE = {"Cache_Control": "private, no-cache", "Vary": "Authorization"}
"""For answers that depend on who asks."""
BARE_POLICY = "default-src 'none'; sandbox"
"""Content-Security-Policy of what is looked at alone: a picture, a PDF."""
PAGE_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; sandbox"
"""Of a page that stands alone, with its style in it."""


def unless_unchanged(etag: str, make: Callable[[], Response]) -> Response:
    """`make()`'s response with its ETag, or 304 with the same ETag where the client has it already.

    `etag` is the bare tag, without quotes.
    """
    response = Response(status=304) if etag in request.if_none_match else make()
    response.set_etag(etag)
    return private(response)


def private(response: Response) -> Response:
    """The response, marked as one that depends on who asks."""
    for name, value in PRIVATE.items():
        response.headers[name.replace("_", "-")] = value
    return response


def shown_as(response: Response, name: str, policy: str) -> Response:
    """The response as a private document of a name, under a Content-Security-Policy, for a browser to open."""
    response.headers["Content-Disposition"] = f'inline; filename="{name}"'
    response.headers["Content-Security-Policy"] = policy
    return private(response)


def check_if_match(etag: str) -> None:
    """Raise `StaleRevision` where the client sent If-Match and it is not `etag`."""
    if "If-Match" in request.headers and etag not in request.if_match:
        raise StaleRevision


def require_if_match(etag: str) -> None:
    """Raise `PreconditionNeeded` where the client sent no If-Match, and `StaleRevision` where it is not `etag`."""
    if "If-Match" not in request.headers:
        raise PreconditionNeeded
    check_if_match(etag)


# -- pages of a list ----------------------------------------------------------------------------------------------

CURSOR_PATTERN = "^[A-Za-z0-9_-]{21}[AQgw]$"
"""Sixteen bytes in base64url: every text of this pattern is a cursor, so none is refused for its form alone."""


def encode_cursor(last: UUID) -> str:
    """The cursor of a page that ended with `last`."""
    return base64.urlsafe_b64encode(last.bytes).rstrip(b"=").decode("ascii")


def decode_cursor(cursor: str) -> UUID:
    """Where a page goes on after; `cursor` has `CURSOR_PATTERN`."""
    return UUID(bytes=base64.urlsafe_b64decode(cursor + "=="))


class PageQuery(ma.Schema):
    """How much of a list, and from where; lists in the order of their ids."""

    limit = QueryWhole(least=1, most=100, load_default=50, metadata={"description": "At most this many."})
    cursor = Text(
        longest=22,
        pattern=CURSOR_PATTERN,
        refusal="Not a cursor of this service.",
        load_default=None,
        metadata={"description": "`next_cursor` of the page before."},
    )


# -- writes that may be sent twice --------------------------------------------------------------------------------

IDEMPOTENCY_PARAMETER = {
    "in": "header",
    "name": "Idempotency-Key",
    "description": "Requests with the same key are one: the work is done once, and the reply is sent again.",
    "schema": {"type": "string", "pattern": "^[!-~]{1,200}$"},
}


def answer_once(stores: Stores, work: Callable[[Transaction], Reply]) -> Response:
    """Do a write in one transaction, and once for each Idempotency-Key of the calling API key."""
    return respond(once(stores, _claim(), work))


def identify_once(
    desk: Desk,
    work: Callable[[Transaction, AtHand], Reply],
    first: Callable[[AtHand], object] | None = None,
    *,
    one_statement: bool = False,
) -> Response:
    """`answer_once` for a write that needs answers, which are worked out while no transaction is open.

    `work` may be begun several times, each in a transaction of its own; `first` asks for what it is known to need.
    `one_statement`: it reads nothing and writes one statement.
    """
    claim = _claim()

    def whole(at_hand: AtHand) -> Reply:
        return once(desk.stores, claim, lambda transaction: work(transaction, at_hand), one_statement=one_statement)

    return respond(with_answers(desk.stores, desk.answering, whole, first))


def _claim() -> Claim | None:
    key = request.headers.get("Idempotency-Key")
    if key is None:
        return None
    if not re.fullmatch("[!-~]{1,200}", key):
        detail = "Must be 1 to 200 visible ASCII characters."
        raise InvalidRequest((LocatedFault("/Idempotency-Key", detail, "header"),))
    said = (request.method.encode(), request.full_path.encode(), request.get_data(cache=True))
    whole = b"\0".join(said) + which_caller()
    return Claim(caller().id, key, hashlib.sha256(whole).digest())
