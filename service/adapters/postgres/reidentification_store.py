"""Runs of asking cases again, in Postgres. The job that does a run is made with it, on the same connection."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.adapters.wake_up import wake_up_to_ask_again
from service.domain.identification import AnswerState
from service.workflows.ports.reidentification import ChangedAnswer, Progress, Said

QUERIES = Queries("reidentification")


class ReidentificationStore:
    """Satisfies `service.workflows.ports.reidentification.ReidentificationStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def begin(self, revision: int) -> None:
        """Have a worker ask again under a revision; a run that is not finished is overtaken."""
        self._connection.execute(QUERIES["overtake"])
        self._connection.execute(QUERIES["begin"], {"revision": revision})
        wake_up_to_ask_again(self._connection, revision)

    def unfinished(self) -> int | None:
        """The revision of the run there is to do."""
        row = self._connection.execute(QUERIES["unfinished"]).fetchone()
        return None if row is None else int(row["catalogue_revision"])

    def take(self, recent_days: int) -> int | None:
        """Hold the run there is to do until the transaction ends; None where there is none, or another has it."""
        row = self._connection.execute(QUERIES["take"], {"recent_days": recent_days}).fetchone()
        return None if row is None else int(row["catalogue_revision"])

    def next_case(self, revision: int) -> UUID | None:
        """The next case of a run: open, or changed recently."""
        row = self._connection.execute(QUERIES["next_case"], {"revision": revision}).fetchone()
        return None if row is None else UUID(str(row["id"]))

    def next_late(self, revision: int) -> UUID | None:
        """A case that a process which had not turned to the run's revision has answered under an older one since."""
        row = self._connection.execute(QUERIES["next_late"], {"revision": revision}).fetchone()
        return None if row is None else UUID(str(row["id"]))

    def reach(self, revision: int, case_id: UUID) -> None:
        """Count a case as dealt with."""
        self._connection.execute(QUERIES["reach"], {"revision": revision, "case_id": case_id})

    def keep_change(
        self, revision: int, case_id: UUID, before: int, after: int, *, told_otherwise: bool, review_id: UUID | None
    ) -> None:
        """Keep that a case's answer of round `before` became that of round `after`."""
        values = {"revision": revision, "case_id": case_id, "before": before, "after": after}
        values |= {"told_otherwise": told_otherwise, "review_id": review_id}
        self._connection.execute(QUERIES["keep_change"], values)

    def finish(self, revision: int, settle_s: float) -> bool:
        """End a run with no case left; False within `settle_s` of its revision becoming active."""
        values = {"revision": revision, "settle_s": settle_s}
        return self._connection.execute(QUERIES["finish"], values).fetchone() is not None

    def progress(self, revision: int) -> Progress | None:
        """How far a run has come."""
        row = self._connection.execute(QUERIES["progress"], {"revision": revision}).fetchone()
        return None if row is None else Progress(**row)

    def changes(self, revision: int, after: UUID | None, limit: int) -> tuple[ChangedAnswer, ...]:
        """Answers that became others, in the order their cases were opened."""
        values = {"revision": revision, "after": after, "limit": limit}
        return tuple(_change_of(row) for row in self._connection.execute(QUERIES["changes"], values))


def _change_of(row: dict[str, Any]) -> ChangedAnswer:
    before, after = (
        Said(AnswerState(row[f"state_{when}"]), row[f"part_{when}"], row[f"revision_{when}"])
        for when in ("before", "after")
    )
    return ChangedAnswer(
        submission_id=row["submission_id"],
        reference=row["reference"],
        is_open=row["is_open"],
        before=before,
        after=after,
        told_otherwise=row["told_otherwise"],
        review_id=row["review_id"],
        changed_at=row["changed_at"],
    )
