"""Who is calling, and whether they may: bearer keys, and an audience for every blueprint."""

from __future__ import annotations

from collections.abc import Mapping

from flask import Flask, g, request

from service.domain.access import Role
from service.domain.errors import Forbidden, NotAuthenticated
from service.workflows.keys import authenticate
from service.workflows.ports import KeyRecord, Stores

Audience = frozenset[Role] | None
"""The roles that may call; None for anybody, with a key or without."""


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


def guard(app: Flask, stores: Stores, audiences: Mapping[str, Audience]) -> None:
    """Let through, before anything else is looked at, only whom the blueprint's audience names.

    A blueprint that is not in `audiences` is shut to everybody.
    """

    def check() -> None:
        if request.endpoint is None:
            return  # no such route, or not this method: nothing here to keep from anyone
        audience = audiences.get(request.blueprint or "", frozenset())
        if audience is None:
            return
        record = authenticate(stores, bearer_key(request.headers.get("Authorization")))
        if record.role not in audience:
            raise Forbidden(f"A {record.role} key may not do this.")
        g.caller = record

    app.before_request(check)
