"""Where webhooks go, in Postgres."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from uuid6 import uuid7

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.adapters.sealing import OPEN, Seal
from service.domain.outbox import Topic
from service.workflows.ports.sending import Endpoint, SecretStanding

QUERIES = Queries("endpoints")


class EndpointStore:
    """Satisfies `service.workflows.ports.sending.EndpointStore`."""

    def __init__(self, connection: Connection, seal: Seal = OPEN) -> None:
        self._connection = connection
        self._seal = seal

    def add(self, url: str, secret: str, topics: tuple[Topic, ...], key_id: UUID | None, note: str) -> Endpoint:
        """Keep an address."""
        values = {
            "id": UUID(int=uuid7().int),
            "url": url,
            "secret": self._seal.close(secret),
            "key_id": key_id,
            "note": note,
        }
        values["topics"] = [topic.value for topic in topics]
        row = self._connection.execute(QUERIES["add"], values).fetchone()
        if row is None:
            raise RuntimeError("an address just written is gone")
        return _endpoint_of(row)

    def all(self) -> tuple[Endpoint, ...]:
        """Every address, oldest first."""
        return tuple(_endpoint_of(row) for row in self._connection.execute(QUERIES["all"]))

    def find(self, endpoint_id: UUID) -> Endpoint | None:
        """One address."""
        row = self._connection.execute(QUERIES["find"], {"id": endpoint_id}).fetchone()
        return None if row is None else _endpoint_of(row)

    def wanting(self, topic: Topic, key_id: UUID | None) -> tuple[Endpoint, ...]:
        """The addresses that want to hear of `topic` in a case opened with a key."""
        rows = self._connection.execute(QUERIES["wanting"], {"topic": topic.value, "key_id": key_id})
        return tuple(_endpoint_of(row) for row in rows)

    def change_secret(self, endpoint_id: UUID, secret: str) -> bool:
        """Sign with a new secret, and with the old one as well for a day."""
        values = {"id": endpoint_id, "secret": self._seal.close(secret)}
        return self._connection.execute(QUERIES["change_secret"], values).fetchone() is not None

    def standing(self) -> SecretStanding:
        """How the secrets of the addresses in use lie."""
        rows = self._connection.execute(QUERIES["secrets_in_use"]).fetchall()
        kept = [one for row in rows for one in (row["secret"], row["old_secret"]) if one is not None]
        return SecretStanding(
            keyed=bool(self._seal.keys),
            kept=len(kept),
            lie_open=sum(not self._seal.is_sealed(one) for one in kept),
            shut=sum(not self._seal.opens(one) for one in kept),
        )

    def seal_again(self) -> int:
        """Keep every secret as the present keys would have it; how many were kept otherwise."""
        changed = 0
        for row in self._connection.execute(QUERIES["hold_secrets"]).fetchall():
            kept = {name: row[name] for name in ("secret", "old_secret")}
            stale = {name: one for name, one in kept.items() if one is not None and not self._seal.is_current(one)}
            if stale:
                anew = kept | {name: self._seal.close(self._seal.open(one)) for name, one in stale.items()}
                self._connection.execute(QUERIES["keep_secrets"], {"id": row["id"]} | anew)
                changed += len(stale)
        return changed

    def disable(self, endpoint_id: UUID, why: str) -> bool:
        """Send nothing there any more."""
        return self._connection.execute(QUERIES["disable"], {"id": endpoint_id, "why": why}).fetchone() is not None


def _endpoint_of(row: dict[str, Any]) -> Endpoint:
    return Endpoint(**(row | {"topics": tuple(Topic(topic) for topic in row["topics"])}))
