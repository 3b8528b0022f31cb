"""On whose pages a widget key may be used: cross-origin requests (WHATWG Fetch, CORS), allow-listed by the key.

A browser asks before it sends (a preflight, which carries no key), so anybody's question is answered; whether the key
is good on that site is decided when the request itself comes. Other keys are for this service's own pages: they get no
such header, and a browser lets no other site read what they would.
"""

from __future__ import annotations

from flask import Response, g, request

from service.domain.access import Role
from service.domain.errors import Forbidden
from service.workflows.ports.stores import KeyRecord

_SENT = "Authorization, Content-Type, Idempotency-Key, If-Match, If-None-Match"
_READ = "ETag, Location, Retry-After, X-Request-Id"
_PREFLIGHT_LASTS_S = "600"


def is_preflight() -> bool:
    """Whether this is a browser's question before a request from another site."""
    return request.method == "OPTIONS" and "Access-Control-Request-Method" in request.headers


def check_origin(key: KeyRecord) -> None:
    """Raise `Forbidden` where a widget key is used on a page it is not for; note whom the answer may be read by."""
    origin = request.headers.get("Origin")
    # Taken apart as text: what a program sends need not be a URL that anybody can read.
    if origin is None or key.role is not Role.WIDGET or origin.partition("://")[2] == request.host:
        return
    if origin not in key.origins:
        raise Forbidden("This key is not for pages of this site.")
    g.origin = origin


def tell_origin(response: Response) -> Response:
    """Let the page that asked read the answer, where it may."""
    origin = request.headers.get("Origin") if is_preflight() else g.get("origin")
    if origin is None:
        return response
    headers = response.headers
    headers["Access-Control-Allow-Origin"] = origin
    headers.add("Vary", "Origin")
    if is_preflight():
        headers["Access-Control-Allow-Methods"] = "GET, POST"
        headers["Access-Control-Allow-Headers"] = _SENT
        headers["Access-Control-Max-Age"] = _PREFLIGHT_LASTS_S
    else:
        headers["Access-Control-Expose-Headers"] = _READ
    return response
