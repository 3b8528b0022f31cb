"""How an error looks: RFC 9457 problem details, one shape for all, and the one table from exception to status.

The text of an unexpected exception never leaves the process; the request id in the body finds it in the log.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

import marshmallow as ma
import orjson
import structlog
from flask import Flask, Response, g, request
from werkzeug.exceptions import HTTPException, MethodNotAllowed
from werkzeug.exceptions import NotFound as NoSuchAddress

from service.domain.errors import (
    Conflict,
    Forbidden,
    InvalidInput,
    KeyCameBefore,
    LobedeskError,
    NotAuthenticated,
    NotFound,
    PreconditionNeeded,
    StaleRevision,
    Unavailable,
)
from service.web.fields import AnswerSchema

PROBLEM_TYPE = "application/problem+json"


class TooManyRequests(LobedeskError):
    """This key has asked too often; wait a little."""

    code = "too_many_requests"


class WrongContentType(LobedeskError):
    """What was sent is of another content type than this address takes; the detail names those it does."""

    code = "wrong_content_type"


STATUS_OF: dict[type[LobedeskError], HTTPStatus] = {
    LobedeskError: HTTPStatus.INTERNAL_SERVER_ERROR,
    InvalidInput: HTTPStatus.UNPROCESSABLE_ENTITY,
    NotFound: HTTPStatus.NOT_FOUND,
    Conflict: HTTPStatus.CONFLICT,
    StaleRevision: HTTPStatus.PRECONDITION_FAILED,
    PreconditionNeeded: HTTPStatus.PRECONDITION_REQUIRED,
    NotAuthenticated: HTTPStatus.UNAUTHORIZED,
    Forbidden: HTTPStatus.FORBIDDEN,
    WrongContentType: HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    TooManyRequests: HTTPStatus.TOO_MANY_REQUESTS,
    Unavailable: HTTPStatus.SERVICE_UNAVAILABLE,
}
"""What each of our errors is in HTTP; a class not listed takes its nearest ancestor's."""

EXTRA_HEADERS: dict[HTTPStatus, dict[str, str]] = {
    HTTPStatus.UNAUTHORIZED: {"WWW-Authenticate": 'Bearer realm="lobedesk"'},
    HTTPStatus.SERVICE_UNAVAILABLE: {"Retry-After": "2"},
}

CODE_OF_STATUS: dict[HTTPStatus, str] = {
    HTTPStatus.BAD_REQUEST: "bad_request",
    HTTPStatus.NOT_FOUND: NotFound.code,
    HTTPStatus.METHOD_NOT_ALLOWED: "method_not_allowed",
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE: "body_too_large",
    HTTPStatus.UNSUPPORTED_MEDIA_TYPE: "not_json",
    HTTPStatus.UNPROCESSABLE_ENTITY: InvalidInput.code,
    HTTPStatus.TOO_MANY_REQUESTS: TooManyRequests.code,
    HTTPStatus.INTERNAL_SERVER_ERROR: "internal_error",
}
"""Stable codes of the errors that the framework raises."""

_log = structlog.get_logger("lobedesk.problems")


class FaultSchema(AnswerSchema):
    """One thing wrong with one field."""

    pointer = ma.fields.String(
        required=True, metadata={"description": "JSON Pointer (RFC 6901) to the field; empty for the whole."}
    )
    detail = ma.fields.String(required=True, metadata={"description": "What is wrong with it, for a person."})
    location = ma.fields.String(
        data_key="in",
        validate=ma.validate.OneOf(["body", "query", "header"]),
        metadata={"description": "Where the field is: in the body, the query or a header."},
    )


class ProblemSchema(AnswerSchema):
    """Problem details (RFC 9457)."""

    type = ma.fields.String(required=True, metadata={"description": "Names the kind of problem; stable."})
    title = ma.fields.String(required=True)
    status = ma.fields.Integer(required=True)
    detail = ma.fields.String(required=True, metadata={"description": "What happened this time, for a person."})
    code = ma.fields.String(required=True, metadata={"description": "The kind of problem in one word; stable."})
    request_id = ma.fields.String(required=True, metadata={"description": "Quote this when asking for help."})
    trace_id = ma.fields.String(metadata={"description": "The trace of this request, where the service is traced."})
    errors = ma.fields.List(ma.fields.Nested(FaultSchema()), metadata={"description": "Each field at fault."})


@dataclass(frozen=True)
class LocatedFault:
    """A fault and the part of the request it is in."""

    pointer: str
    detail: str
    location: str = "body"

    def as_json(self) -> dict[str, str]:
        """The fault as it is sent."""
        return {"pointer": self.pointer, "detail": self.detail, "in": self.location}


class InvalidRequest(InvalidInput):
    """The request does not have the form this needs; `errors` names each field."""

    def __init__(self, located: tuple[LocatedFault, ...]) -> None:
        super().__init__()
        self.located = located


def faults_of_messages(messages: Mapping[str, Any]) -> tuple[LocatedFault, ...]:
    """The faults in marshmallow's nested messages, whose first level names the part of the request."""
    located = []
    for place, inner in messages.items():
        location = {"json": "body", "headers": "header"}.get(place, place)
        located += [LocatedFault(pointer, detail, location) for pointer, detail in _walk(inner, "")]
    return tuple(located)


_PLAINER = {
    "Missing data for required field.": "Is missing.",
    "Unknown field.": "There is no field of this name here.",
    "Field may not be null.": "Must not be null; leave it out.",
    "Not a valid list.": "Must be a list: [ ... ].",
    "Not a valid integer.": "Must be a whole number, as a JSON number.",
    "Invalid input type.": "Must be an object: { ... }.",
}
"""What marshmallow says of its own accord, in words that tell what to do."""


def _walk(messages: Any, pointer: str) -> Iterator[tuple[str, str]]:
    if isinstance(messages, Mapping):
        for key, inner in messages.items():
            step = str(key).replace("~", "~0").replace("/", "~1")
            yield from _walk(inner, pointer if key == "_schema" else f"{pointer}/{step}")
    elif isinstance(messages, (list, tuple)):
        for message in messages:
            yield from _walk(message, pointer)
    else:
        yield pointer, _PLAINER.get(str(messages), str(messages))


def problem(
    status: HTTPStatus, code: str, detail: str, faults: tuple[LocatedFault, ...] = (), headers: Any = ()
) -> Response:
    """A problem response. `headers` are (name, value) pairs."""
    body: dict[str, Any] = {
        "type": f"/docs#problem-{code}",
        "title": status.phrase,
        "status": int(status),
        "detail": detail,
        "code": code,
        "request_id": g.get("request_id", ""),
    }
    if g.get("trace_id") is not None:
        body["trace_id"] = g.trace_id
    if faults:
        body["errors"] = [fault.as_json() for fault in faults]
    response = Response(orjson.dumps(body), int(status), content_type=PROBLEM_TYPE)
    for name, value in headers:
        response.headers[name] = value
    for name, value in EXTRA_HEADERS.get(status, {}).items():
        response.headers.setdefault(name, value)
    return response


def status_of(error: type[LobedeskError]) -> HTTPStatus:
    """The HTTP status of one of our errors, by its class."""
    return next(STATUS_OF[kind] for kind in error.__mro__ if kind in STATUS_OF)


def _of_ours(error: LobedeskError) -> Response:
    if isinstance(error, InvalidRequest):
        faults = error.located
    else:
        location = "query" if request.method in ("GET", "HEAD") else "body"  # what is asked for has no body
        faults = tuple(LocatedFault(fault.pointer, fault.detail, location) for fault in error.faults)
    if isinstance(error, KeyCameBefore):
        faults = (LocatedFault("/Idempotency-Key", error.message, "header"),)
    status = status_of(type(error))
    if status >= HTTPStatus.INTERNAL_SERVER_ERROR:
        _log.warning("refused", code=error.code, detail=error.message, exc_info=error.__cause__)
    return problem(status, error.code, error.message, faults)


def _of_http(error: HTTPException) -> Response:
    status = HTTPStatus(error.code or 500)
    # Allow and Retry-After travel in the exception's own headers.
    kept = [(name, value) for name, value in error.get_headers(request.environ) if name.lower() != "content-type"]
    code = CODE_OF_STATUS.get(status, status.name.lower())
    return problem(status, code, _words_of(error) or status.phrase, headers=kept)


def _words_of(error: HTTPException) -> str | None:
    """What to say of an error of the framework: its own words are for people in front of a browser."""
    if isinstance(error, NoSuchAddress):
        return f"There is nothing at {request.path}; /docs lists every address, and what an id in it looks like."
    if isinstance(error, MethodNotAllowed):
        return f"This address does not take {request.method}; it takes {', '.join(sorted(error.valid_methods or ()))}."
    return error.description


def _of_unexpected(error: Exception) -> Response:
    _log.error("unexpected error", method=request.method, path=request.path, exc_info=error)
    status = HTTPStatus.INTERNAL_SERVER_ERROR
    return problem(status, CODE_OF_STATUS[status], "Something went wrong here; nothing of this request was kept.")


def register_problems(app: Flask) -> None:
    """Make every error of `app` a problem response."""
    app.register_error_handler(LobedeskError, _of_ours)
    app.register_error_handler(HTTPException, _of_http)
    app.register_error_handler(Exception, _of_unexpected)


@dataclass(frozen=True)
class ProblemKind:
    """A kind of problem, for the documentation."""

    code: str
    status: int
    meaning: str


def problem_kinds() -> tuple[ProblemKind, ...]:
    """Every kind of problem a request can meet, by status."""
    kinds: dict[str, ProblemKind] = {}
    for listed in STATUS_OF:
        for error in _met(listed):
            meaning = " ".join((error.__doc__ or "").split())
            # a class that has no code of its own is one more way to the kind above it
            kinds.setdefault(error.code, ProblemKind(error.code, int(status_of(error)), meaning))
    for status, code in CODE_OF_STATUS.items():
        kinds.setdefault(code, ProblemKind(code, int(status), status.description))
    return tuple(sorted(kinds.values(), key=lambda kind: (kind.status, kind.code)))


def _met(listed: type[LobedeskError]) -> Iterator[type[LobedeskError]]:
    """A class of the table and those made of it, where a request can meet them: what is made of the root, or of
    `Unavailable`, ends a command or is done without."""
    if listed is not LobedeskError:
        yield listed
        if listed is not Unavailable:
            for kind in listed.__subclasses__():
                yield from _met(kind)
