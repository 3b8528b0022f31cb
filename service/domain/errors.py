"""The errors this service raises on purpose.

    LobedeskError
    ├── InvalidInput          what was sent cannot be meant; carries one `Fault` a field
    ├── NotFound              there is no such thing, or it is not yours
    ├── Conflict              the thing has changed, or is not in a state for this
    │   └── StaleRevision     the ETag given is not the current one
    ├── PreconditionNeeded    the request must say which state it means to change
    ├── Forbidden             the key may not do this
    ├── NotAuthenticated      no key, or not one of ours
    └── Unavailable           a store is away; try again

Each class has a stable `code`; its docstring is its default message, so the two cannot drift apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True)
class Fault:
    """One thing wrong with one field: `pointer` is a JSON Pointer into the body (RFC 6901)."""

    pointer: str
    detail: str


class LobedeskError(Exception):
    """Something went wrong."""

    code: ClassVar[str] = "error"

    def __init__(self, message: str | None = None, faults: tuple[Fault, ...] = ()) -> None:
        self.message = message or (type(self).__doc__ or "").strip()
        self.faults = faults
        super().__init__(self.message)


class InvalidInput(LobedeskError):
    """What was sent cannot be used as it is."""

    code = "invalid_input"


class KeyCameBefore(InvalidInput):
    """This Idempotency-Key came before with another request; use a new one."""


class NotFound(LobedeskError):
    """There is nothing here by that name."""

    code = "not_found"


class Conflict(LobedeskError):
    """Somebody else was quicker, or this cannot be done in its present state."""

    code = "conflict"


class StaleRevision(Conflict):
    """This has changed since you read it; read it again and repeat the change."""

    code = "stale_revision"


class PreconditionNeeded(LobedeskError):
    """Say which state you change: read it, and send its ETag as If-Match."""

    code = "precondition_needed"


class NotAuthenticated(LobedeskError):
    """A valid key is needed: Authorization: Bearer KEY."""

    code = "not_authenticated"


class Forbidden(LobedeskError):
    """This key may not do that."""

    code = "forbidden"


class Unavailable(LobedeskError):
    """A store this needs is not answering; try again shortly."""

    code = "unavailable"
