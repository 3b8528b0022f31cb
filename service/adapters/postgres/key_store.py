"""API keys in Postgres."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from uuid6 import uuid7

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.domain.access import Role
from service.workflows.ports import KeyEntry, KeyRecord

QUERIES = Queries("keys")


class KeyStore:
    """Satisfies `service.workflows.ports.KeyStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def add(self, digest: bytes, ending: str, role: Role, name: str, origins: tuple[str, ...] = ()) -> UUID:
        """Keep a new key's SHA-256 and its last characters."""
        key_id = UUID(int=uuid7().int)
        kept = {"id": key_id, "digest": digest, "ending": ending, "role": role.value, "name": name}
        self._connection.execute(QUERIES["add"], kept | {"origins": list(origins)})
        return key_id

    def find(self, digest: bytes) -> KeyRecord | None:
        """The unrevoked key with this digest."""
        row = self._connection.execute(QUERIES["find"], {"digest": digest}).fetchone()
        return None if row is None else _record(row)

    def named(self, key_id: UUID) -> KeyRecord | None:
        """The key with this id, revoked or not."""
        row = self._connection.execute(QUERIES["named"], {"id": key_id}).fetchone()
        return None if row is None else _record(row)

    def all(self) -> tuple[KeyEntry, ...]:
        """Every key, oldest first."""
        return tuple(
            KeyEntry(
                _record(row),
                row["ending"],
                row["created_at"],
                row["last_used_at"],
                row["revoked_at"],
            )
            for row in self._connection.execute(QUERIES["all"])
        )

    def revoke(self, key_id: UUID) -> bool:
        """Stop a key from working."""
        return self._connection.execute(QUERIES["revoke"], {"id": key_id}).fetchone() is not None


def _record(row: dict[str, Any]) -> KeyRecord:
    return KeyRecord(row["id"], Role(row["role"]), row["name"], tuple(row["origins"]))
