"""The audit trail in Postgres, where a trigger refuses every change of what is there."""

from __future__ import annotations

from uuid import UUID

from psycopg.types.json import Jsonb

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.workflows.ports.reviews import TrailEntry

QUERIES = Queries("trail")


class TrailStore:
    """Satisfies `service.workflows.ports.reviews.TrailStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def add(
        self, key_id: UUID | None, who: str, action: str, submission_id: UUID | None = None, **details: object
    ) -> None:
        """Note what was seen or done."""
        self._connection.execute(
            QUERIES["add"],
            {
                "key_id": key_id,
                "who": who,
                "action": action,
                "submission_id": submission_id,
                "details": Jsonb(details),
            },
        )

    def page(self, submission_id: UUID | None, before: int | None, limit: int) -> tuple[TrailEntry, ...]:
        """Entries of one case or of all, newest first, those before `before`."""
        values = {"submission_id": submission_id, "before": before, "limit": limit}
        return tuple(TrailEntry(**row) for row in self._connection.execute(QUERIES["page"], values))
