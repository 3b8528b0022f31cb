"""Who is calling, and whether they may: bearer keys and return links, and an audience for every blueprint."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from enum import Enum, auto
from uuid import UUID

from flask import Flask, Response, g, request

from service.domain.access import RateUse, Role
from service.domain.errors import Forbidden, NotAuthenticated
from service.web.origins import check_origin, is_preflight, tell_origin
from service.web.problems import TooManyRequests
from service.workflows.cases.find_cases import own_case
from service.workflows.keys import authenticate
from service.workflows.ports.stores import KeyRecord, Stores


class Holder(Enum):
    """Who may call without a key of the service."""

    LINK = auto()


Audience = frozenset[Role] | Holder | None
"""The roles that may call, or who has a return link; None for anybody, with a key or without."""


Rates = Callable[[KeyRecord, str], RateUse]
"""Counts a call of a key from an address."""


def caller() -> KeyRecord:
    """The key of the request being answered, or as whom a link's holder counts; only where the audience asks for it."""
    record: KeyRecord = g.caller
    return record


def linked_case() -> UUID:
    """The one case that the caller's link opens; only where the audience is `Holder.LINK`."""
    case_id: UUID = g.linked_case
    return case_id


def which_caller() -> bytes:
    """What tells apart callers who count as one key: those who hold different links."""
    return str(g.get("linked_case", "")).encode()


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
        credential = bearer_key(request.headers.get("Authorization"))
        if isinstance(audience, Holder):
            own = own_case(stores, credential)
            g.linked_case = own.case_id
            record, counted = own.holder, replace(own.holder, id=own.case_id)  # not at the cost of the store's others
        else:
            record = counted = authenticate(stores, credential)
        check_origin(record)
        g.rate = rates(counted, request.remote_addr or "")
        if not g.rate.allowed:
            raise TooManyRequests
        if not isinstance(audience, Holder) and record.role not in audience:
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
