"""What happens around every request: an id for the log and the client, a time for the metrics, a limit on the body."""

from __future__ import annotations

import re
import time
import uuid
from collections.abc import Callable, Iterable
from http import HTTPStatus
from typing import TYPE_CHECKING

import structlog
from flask import Flask, Response, g, request

from service import spans

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIApplication, WSGIEnvironment

RequestMeter = Callable[[str, str, int, float], None]
"""Counts one request: method, rule, status, seconds."""

_SPAN = "lobedesk.span"
_ID = re.compile(r"[A-Za-z0-9_.-]{1,64}")
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})

_log = structlog.get_logger("lobedesk.requests")


def watch_requests(app: Flask, body_limit: int, count: RequestMeter) -> None:
    """Give each request of `app` an id (the client's own, where it is a plain one), a log line and a count."""
    app.config["MAX_CONTENT_LENGTH"] = body_limit

    def begin() -> None:
        given = request.headers.get("X-Request-Id", "")
        g.request_id = given if _ID.fullmatch(given) else uuid.uuid4().hex
        g.started = time.perf_counter()
        structlog.contextvars.clear_contextvars()
        structlog.contextvars.bind_contextvars(request_id=g.request_id)
        g.trace_id = spans.trace_id()
        if g.trace_id is not None:
            structlog.contextvars.bind_contextvars(trace_id=g.trace_id)

    def end(response: Response) -> Response:
        seconds = time.perf_counter() - g.started
        rule = request.url_rule.rule if request.url_rule is not None else "(none)"
        method = request.method if request.method in _METHODS else "(other)"
        response.headers["X-Request-Id"] = g.request_id
        response.headers["X-Content-Type-Options"] = "nosniff"
        count(method, rule, response.status_code, seconds)
        span: spans.Span | None = request.environ.get(_SPAN)
        if span is not None:
            _tell(span, method, rule, response.status_code)
        _log.info("request", method=method, route=rule, status=response.status_code, ms=round(seconds * 1000, 2))
        return response

    app.before_request(begin)
    app.after_request(end)
    if spans.are_taken():
        app.wsgi_app = _traced(app.wsgi_app)  # type: ignore[method-assign, assignment]


def _traced(inner: WSGIApplication) -> WSGIApplication:
    """Make every request a span, after the one that the client says it is in (W3C Trace Context)."""

    def application(environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        with spans.span("request", spans.Kind.SERVER, after=environ.get("HTTP_TRACEPARENT")) as span:
            environ[_SPAN] = span
            return inner(environ, start_response)

    return application


def _tell(span: spans.Span, method: str, rule: str, status: int) -> None:
    """The rule, never the path: a link in it opens a case."""
    span.rename(f"{method} {rule}")
    span.say(
        http__request__method=method,
        http__route=rule,
        http__response__status_code=status,
        lobedesk__request_id=g.request_id,
    )
    if status >= HTTPStatus.INTERNAL_SERVER_ERROR:
        span.failed(str(status))
