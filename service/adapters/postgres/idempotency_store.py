"""Replies kept for requests that may be sent again, in Postgres."""

from __future__ import annotations

from uuid import UUID

from psycopg.types.json import Jsonb

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.adapters.sealing import OPEN, Seal, SealedWithAnotherKey
from service.domain.errors import Conflict
from service.workflows.ports.stores import KeptReply, Reply

QUERIES = Queries("idempotency")


class IdempotencyStore:
    """Satisfies `service.workflows.ports.stores.IdempotencyStore`.

    Replies are kept for `kept_seconds`, secret ones sealed.
    """

    def __init__(self, connection: Connection, kept_seconds: float = 86_400, seal: Seal = OPEN) -> None:
        self._connection = connection
        self._kept_seconds = kept_seconds
        self._seal = seal

    def claim(self, key_id: UUID, key: str) -> bool:
        """Hold this key until the transaction ends; False while another transaction holds it."""
        row = self._connection.execute(QUERIES["claim"], {"key_id": key_id, "client_key": key}).fetchone()
        return row is not None and bool(row["held"])

    def find(self, key_id: UUID, key: str) -> KeptReply | None:
        """The reply kept under a key, if any; raises `Conflict` where no key opens it any more."""
        row = self._connection.execute(
            QUERIES["find"], {"key_id": key_id, "client_key": key, "kept_seconds": self._kept_seconds}
        ).fetchone()
        if row is None:
            return None
        headers = tuple((name, value) for name, value in row["headers"])
        try:
            body = self._seal.open_bytes(row["body"])
        except SealedWithAnotherKey:
            raise Conflict("The reply kept under this Idempotency-Key cannot be opened; use a new key.") from None
        return KeptReply(row["request_hash"], Reply(row["status"], headers, body))

    def keep(self, key_id: UUID, key: str, kept: KeptReply) -> None:
        """Keep a reply; it becomes visible with everything else in the transaction."""
        self.forget_old()
        self._connection.execute(
            QUERIES["keep"],
            {
                "key_id": key_id,
                "client_key": key,
                "request_hash": kept.request_hash,
                "status": kept.reply.status,
                "headers": Jsonb([list(header) for header in kept.reply.headers]),
                "body": self._seal.close_bytes(kept.reply.body) if kept.reply.secret else kept.reply.body,
            },
        )

    def forget_old(self) -> int:
        """Forget a few replies past their time; how many there were."""
        return self._connection.execute(QUERIES["forget_old"], {"kept_seconds": self._kept_seconds}).rowcount
