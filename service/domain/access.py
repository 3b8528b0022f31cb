"""Who may call: the roles a key can have."""

from __future__ import annotations

from enum import StrEnum


class Role(StrEnum):
    """A key's role. A widget key is public and sees nothing but its own submissions."""

    WIDGET = "widget"
    DESK = "desk"
    BENCH = "bench"
    ADMIN = "admin"


STAFF = frozenset({Role.DESK, Role.BENCH, Role.ADMIN})
"""The roles held by people who work here."""
