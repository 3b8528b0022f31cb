"""API keys in Postgres."""

from __future__ import annotations

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

    def add(self, digest: bytes, ending: str, role: Role, name: str) -> UUID:
        """Keep a new key's SHA-256 and its last characters."""
        key_id = UUID(int=uuid7().int)
        self._connection.execute(
            QUERIES["add"], {"id": key_id, "digest": digest, "ending": ending, "role": role.value, "name": name}
        )
        return key_id

    def find(self, digest: bytes) -> KeyRecord | None:
        """The unrevoked key with this digest."""
        row = self._connection.execute(QUERIES["find"], {"digest": digest}).fetchone()
        return None if row is None else KeyRecord(row["id"], Role(row["role"]), row["name"])

    def named(self, key_id: UUID) -> KeyRecord | None:
        """The key with this id, revoked or not."""
        row = self._connection.execute(QUERIES["named"], {"id": key_id}).fetchone()
        return None if row is None else KeyRecord(row["id"], Role(row["role"]), row["name"])

    def all(self) -> tuple[KeyEntry, ...]:
        """Every key, oldest first."""
        return tuple(
            KeyEntry(
                KeyRecord(row["id"], Role(row["role"]), row["name"]),
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
