"""Letters in Postgres."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.workflows.ports.sending import KeptLetter

QUERIES = Queries("letters")


class LetterStore:
    """Satisfies `service.workflows.ports.sending.LetterStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def keep(self, letter: KeptLetter, key_id: UUID) -> None:
        """Keep a letter."""
        values = vars(letter) | {"plain": letter.text, "issued_key": key_id}
        self._connection.execute(QUERIES["keep"], values)

    def find(self, letter_id: UUID) -> KeptLetter | None:
        """A letter."""
        row = self._connection.execute(QUERIES["find"], {"id": letter_id}).fetchone()
        return None if row is None else letter_of(row)

    def of_submission(self, submission_id: UUID) -> tuple[KeptLetter, ...]:
        """The letters of a submission, newest first; the last fifty."""
        rows = self._connection.execute(QUERIES["of_submission"], {"submission_id": submission_id})
        return tuple(letter_of(row) for row in rows)


def letter_of(row: dict[str, Any]) -> KeptLetter:
    """A letter out of its row."""
    return KeptLetter(text=row["plain"], **{name: value for name, value in row.items() if name != "plain"})
