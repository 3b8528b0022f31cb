"""Kept lift tables in Postgres."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

import msgspec
from psycopg.types.json import Jsonb
from uuid6 import uuid7

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.adapters.stored_types import reader
from service.lobe.sent_sheet import SentSheet
from service.workflows.ports.lift_tables import KeptSheet, Withdrawal

QUERIES = Queries("lift_tables")

_READ_SHEET = reader(SentSheet)

SHEET_FORM = 1
"""How a sheet is kept; a member may be added if it has a default, anything else takes a new number."""


class LiftTableStore:
    """Satisfies `service.workflows.ports.lift_tables.LiftTableStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def keep(
        self,
        key_id: UUID,
        by: str,
        sent: SentSheet,
        submission_id: UUID | None,
        mail_in_id: UUID | None,
        bench: dict[str, Any] | None,
    ) -> UUID:
        """Keep tables."""
        sheet_id = UUID(int=uuid7().int)
        values = {
            "id": sheet_id,
            "submission_id": submission_id,
            "mail_in_id": mail_in_id,
            "key_id": key_id,
            "kept_by": by,
            "sent": Jsonb(msgspec.to_builtins(sent)),
            "stored_form": SHEET_FORM,
            "bench": None if bench is None else Jsonb(bench),
        }
        self._connection.execute(QUERIES["keep"], values)
        return sheet_id

    def find(self, sheet_id: UUID) -> KeptSheet | None:
        """Kept tables."""
        row = self._connection.execute(QUERIES["find"], {"id": sheet_id}).fetchone()
        return None if row is None else _sheet_of(row)

    def of_submission(self, submission_id: UUID) -> tuple[KeptSheet, ...]:
        """The tables of a submission, first to last."""
        rows = self._connection.execute(QUERIES["of_submission"], {"submission_id": submission_id})
        return tuple(_sheet_of(row) for row in rows)

    def of_submissions(self, submission_ids: Sequence[UUID]) -> tuple[KeptSheet, ...]:
        """The tables of several submissions, first to last."""
        rows = self._connection.execute(QUERIES["of_submissions"], {"submission_ids": list(submission_ids)})
        return tuple(_sheet_of(row) for row in rows)

    def ids_of_mail_in(self, mail_in_id: UUID) -> tuple[UUID, ...]:
        """Which tables were kept with a posted shaft, first to last."""
        rows = self._connection.execute(QUERIES["ids_of_mail_in"], {"mail_in_id": mail_in_id})
        return tuple(row["id"] for row in rows)

    def give(self, mail_in_id: UUID, submission_id: UUID) -> bool:
        """Make a shaft's tables those of its new submission too."""
        values = {"mail_in_id": mail_in_id, "submission_id": submission_id}
        return self._connection.execute(QUERIES["give"], values).rowcount > 0

    def move(self, from_id: UUID, into_id: UUID) -> bool:
        """Make one submission's tables another's."""
        return self._connection.execute(QUERIES["move"], {"from_id": from_id, "into_id": into_id}).rowcount > 0

    def withdraw(self, sheet_id: UUID, key_id: UUID, by: str, reason: str) -> bool:
        """Let tables count no longer."""
        values = {"id": sheet_id, "key_id": key_id, "by": by, "reason": reason}
        return self._connection.execute(QUERIES["withdraw"], values).rowcount > 0


def _sheet_of(row: dict[str, Any]) -> KeptSheet:
    if not 1 <= row["stored_form"] <= SHEET_FORM:
        raise ValueError(f"stored form {row['stored_form']} of lift tables is not one this code reads")
    withdrawal = None
    if row["withdrawn_at"] is not None:
        withdrawal = Withdrawal(row["withdrawn_by"], row["withdrawn_at"], row["withdrawn_reason"])
    sent = _READ_SHEET(row["sent"])
    whose = (row["id"], row["submission_id"], row["mail_in_id"], row["kept_by"], row["kept_at"])
    return KeptSheet(*whose, sent, withdrawal, row["bench"])
