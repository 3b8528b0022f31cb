"""Who is calling, and whether they may: bearer keys, and an audience for every blueprint."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from flask import Flask, Response, g, request

from service.domain.access import RateUse, Role
from service.domain.errors import Forbidden, NotAuthenticated
from service.web.origins import check_origin, is_preflight, tell_origin
from service.web.problems import TooManyRequests
from service.workflows.keys import authenticate
from service.workflows.ports.stores import KeyRecord, Stores

Audience = frozenset[Role] | None
"""The roles that may call; None for anybody, with a key or without."""


Rates = Callable[[KeyRecord, str], RateUse]
"""Counts a call of a key from an address."""


def caller() -> KeyRecord:
    """The key of the request being answered; only where the audience asks for one."""
    record: KeyRecord = g.caller
    return record


def bearer_key(header: str | None) -> str:
    """The key in an `Authorization` header; raises `NotAuthenticated` where there is none."""
    scheme, _, key = (header or "").partition(" ")
    if scheme.lower() != "bearer" or not key.strip():
        raise NotAuthenticated
    return key.strip()


def guard(app: Flask, stores: Stores, rates: Rates, audiences: Mapping[str, Audience]) -> None:
    """Let through, before anything else is looked at, only whom the blueprint's audience names, and not too often.

    A blueprint that is not in `audiences` is shut to everybody.
    """

    def check() -> None:
        if request.endpoint is None or is_preflight():
            return  # no such route, or not this method, or a browser asking first: nothing here to keep from anyone
        audience = audiences.get(request.blueprint or "", frozenset())
        if audience is None:
            return
        record = authenticate(stores, bearer_key(request.headers.get("Authorization")))
        check_origin(record)
        g.rate = rates(record, request.remote_addr or "")
        if not g.rate.allowed:
            raise TooManyRequests
        if record.role not in audience:
            raise Forbidden(f"A {record.role} key may not do this.")
        g.caller = record

    app.before_request(check)
    app.after_request(_tell_rate)
    app.after_request(tell_origin)


def _tell_rate(response: Response) -> Response:
    """Say what is left (draft-ietf-httpapi-ratelimit-headers)."""
    use: RateUse | None = g.get("rate")
    if use is not None:
        response.headers["RateLimit-Policy"] = f'"{use.name}";q={use.limit};w={use.window_s}'
        response.headers["RateLimit"] = f'"{use.name}";r={use.remaining};t={use.reset_s}'
        if not use.allowed:
            response.headers["Retry-After"] = str(use.reset_s)
    return response
