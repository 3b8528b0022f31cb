"""Who may call: the roles a key can have, what one is made for, and how often."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Role(StrEnum):
    """A key's role. A widget key is public and sees nothing but its own submissions."""

    WIDGET = "widget"
    DESK = "desk"
    BENCH = "bench"
    ADMIN = "admin"


STAFF = frozenset({Role.DESK, Role.BENCH, Role.ADMIN})
"""The roles held by people who work here."""


THE_SERVICE = "lobedesk"
"""Who the trail says it was where no person did something."""


@dataclass(frozen=True)
class NewKey:
    """A key that is wanted: for what, whose, on which sites, until when (None: for good), and whether for several."""

    role: Role
    name: str
    origins: tuple[str, ...] = ()
    expires_at: datetime | None = None
    shared: bool = False


@dataclass(frozen=True)
class RateUse:
    """How much of a rate has been used: `limit` calls in `window_s` seconds, `remaining` left for `reset_s` more."""

    name: str
    allowed: bool
    limit: int
    window_s: int
    remaining: int
    reset_s: int
