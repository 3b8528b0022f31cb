"""API keys in Postgres."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import UUID

from uuid6 import uuid7

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.domain.access import NewKey, Role
from service.workflows.ports.stores import KeyEntry, KeyRecord

QUERIES = Queries("keys")


class KeyStore:
    """Satisfies `service.workflows.ports.stores.KeyStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def add(self, digest: bytes, ending: str, wanted: NewKey) -> UUID:
        """Keep a new key's SHA-256 and its last characters."""
        key_id = UUID(int=uuid7().int)
        kept: dict[str, Any] = {
            "id": key_id,
            "digest": digest,
            "ending": ending,
            "role": wanted.role.value,
            "name": wanted.name,
        }
        kept |= {"origins": list(wanted.origins), "expires_at": wanted.expires_at, "shared": wanted.shared}
        self._connection.execute(QUERIES["add"], kept)
        return key_id

    def find(self, digest: bytes) -> KeyRecord | None:
        """The key with this digest, if it still works."""
        row = self._connection.execute(QUERIES["find"], {"digest": digest}).fetchone()
        return None if row is None else _record(row)

    def named(self, key_id: UUID) -> KeyRecord | None:
        """The key with this id, revoked or not."""
        row = self._connection.execute(QUERIES["named"], {"id": key_id}).fetchone()
        return None if row is None else _record(row)

    def all(self) -> tuple[KeyEntry, ...]:
        """Every key, oldest first."""
        return tuple(_entry(row) for row in self._connection.execute(QUERIES["all"]))

    def hold(self, key_id: UUID) -> KeyEntry | None:
        """The key with this id as it is listed, held until the transaction ends."""
        row = self._connection.execute(QUERIES["entry"], {"id": key_id}).fetchone()
        return None if row is None else _entry(row)

    def hold_admins(self) -> frozenset[UUID]:
        """The admin keys that work for good, held until the transaction ends."""
        return frozenset(row["id"] for row in self._connection.execute(QUERIES["hold_admins"]))

    def expire(self, key_id: UUID, after: timedelta) -> None:
        """Let a key work so long and no longer."""
        self._connection.execute(QUERIES["expire"], {"id": key_id, "after": after})

    def revoke(self, key_id: UUID) -> bool:
        """Stop a key from working."""
        return self._connection.execute(QUERIES["revoke"], {"id": key_id}).fetchone() is not None


def _entry(row: dict[str, Any]) -> KeyEntry:
    return KeyEntry(
        _record(row), row["ending"], row["created_at"], row["last_used_at"], row["expires_at"], row["revoked_at"]
    )


def _record(row: dict[str, Any]) -> KeyRecord:
    return KeyRecord(row["id"], Role(row["role"]), row["name"], tuple(row["origins"]), row["shared"])
