"""Decisions, notes and links of cases in Postgres, and where a case stands."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from uuid6 import uuid7

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.domain.casework import ClosedWhy, ConfirmationSource
from service.domain.review import Confidence, Decision, Outcome, Verdict
from service.workflows.ports.cases import CaseFinder, Confirmation, FoundCase, NewDecision, Note, Silent

QUERIES = Queries("cases")


class CaseStore:
    """Satisfies `service.workflows.ports.cases.CaseStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def decide(self, new: NewDecision) -> Decision:
        """Keep a decision; it holds from now on."""
        values = {
            "id": UUID(int=uuid7().int),
            "submission_id": new.submission_id,
            "review_id": new.review_id,
            "second_look": new.second_look,
            "round": new.round,
            "outcome": new.verdict.outcome.value,
            "part_number": new.verdict.part_number,
            "confidence": new.verdict.confidence.value,
            "reason": new.verdict.reason,
            "catalogue_revision": new.catalogue_revision,
            "key_id": new.key_id,
            "by": new.by,
        }
        return _decision_of(self._one("decide", values))

    def decisions(self, submission_id: UUID) -> tuple[Decision, ...]:
        """A case's decisions, first to last; the last one holds."""
        rows = self._connection.execute(QUERIES["decisions"], {"submission_id": submission_id})
        return tuple(_decision_of(row) for row in rows)

    def note(self, submission_id: UUID, text: str, key_id: UUID, by: str) -> Note:
        """Write something down."""
        values = {
            "id": UUID(int=uuid7().int),
            "submission_id": submission_id,
            "text": text,
            "key_id": key_id,
            "by": by,
        }
        return _note_of(self._one("note", values))

    def notes(self, submission_id: UUID) -> tuple[Note, ...]:
        """A case's notes, first to last."""
        rows = self._connection.execute(QUERIES["notes"], {"submission_id": submission_id})
        return tuple(_note_of(row) for row in rows)

    def close(
        self,
        submission_id: UUID,
        why: ClosedWhy,
        *,
        merged_into: UUID | None = None,
        order_reference: str | None = None,
    ) -> bool:
        """Close a case; False where it is closed already."""
        values = {
            "id": submission_id,
            "why": why.value,
            "merged_into": merged_into,
            "order_reference": order_reference,
        }
        return self._connection.execute(QUERIES["close"], values).fetchone() is not None

    def reopen(self, submission_id: UUID) -> bool:
        """Open a closed case again; False where it is not closed, or was merged."""
        return self._connection.execute(QUERIES["reopen"], {"id": submission_id}).fetchone() is not None

    def search(self, finder: CaseFinder, before: UUID | None, limit: int) -> tuple[FoundCase, ...]:
        """Cases that fit, newest first, those opened before the case `before`."""
        values = vars(finder) | {
            "names": " & ".join(f"{name}:*" for name in finder.names) or None,
            "before": before,
            "limit": limit,
        }
        return tuple(_found_of(row) for row in self._connection.execute(QUERIES["search"], values))

    def others_of(self, submission_id: UUID, limit: int) -> tuple[FoundCase, ...]:
        """Other cases with the same e-mail address or telephone number, newest first."""
        values = {"submission_id": submission_id, "limit": limit}
        return tuple(_found_of(row) for row in self._connection.execute(QUERIES["others_of"], values))

    def confirm(
        self,
        submission_id: UUID,
        source: ConfirmationSource,
        part_number: str | None,
        note: str | None,
        key_id: UUID,
        by: str,
    ) -> Confirmation:
        """Keep what the shaft turned out to be; it holds from now on."""
        values = {
            "id": UUID(int=uuid7().int),
            "submission_id": submission_id,
            "source": source.value,
            "outcome": Outcome.NOT_IN_CATALOGUE.value if part_number is None else Outcome.PART.value,
            "part_number": part_number,
            "note": note,
            "key_id": key_id,
            "by": by,
        }
        return _confirmation_of(self._one("confirm", values))

    def confirmations(self, submission_id: UUID) -> tuple[Confirmation, ...]:
        """A case's confirmations, first to last; the last one holds."""
        rows = self._connection.execute(QUERIES["confirmations"], {"submission_id": submission_id})
        return tuple(_confirmation_of(row) for row in rows)

    def add_link(self, submission_id: UUID, digest: bytes, lasts: timedelta) -> datetime:
        """Keep a return link by its SHA-256; returns when it lapses."""
        row = self._one("add_link", {"submission_id": submission_id, "digest": digest, "lasts": lasts})
        lapses_at: datetime = row["lapses_at"]
        return lapses_at

    def find_link(self, digest: bytes) -> tuple[UUID, UUID] | None:
        """The case that a link leads to, while it has not lapsed, and the key it was opened with."""
        row = self._connection.execute(QUERIES["find_link"], {"digest": digest}).fetchone()
        return None if row is None else (row["submission_id"], row["key_id"])

    def silent(self, days: int, after: Silent | None, limit: int) -> tuple[Silent, ...]:
        """Open cases to which nothing has been added for so many days, longest first, those after one of them."""
        values = {
            "days": days,
            "after_at": None if after is None else after.changed_at,
            "after_id": None if after is None else after.id,
            "limit": limit,
        }
        return tuple(Silent(**row) for row in self._connection.execute(QUERIES["silent"], values))

    def take_half_done(self, days: int, silent: tuple[UUID, ...]) -> tuple[tuple[UUID, UUID], ...]:
        """Mark a few callers as reminded: their cases, and the keys these came in by."""
        rows = self._connection.execute(QUERIES["take_half_done"], {"days": days, "silent": list(silent)})
        return tuple((row["id"], row["key_id"]) for row in rows)

    def close_half_done(self, days: int) -> tuple[UUID, ...]:
        """Close a few cases whose callers were reminded and have not come back: which they were."""
        return tuple(row["id"] for row in self._connection.execute(QUERIES["close_half_done"], {"days": days}))

    def _one(self, name: str, values: dict[str, Any]) -> dict[str, Any]:
        row = self._connection.execute(QUERIES[name], values).fetchone()
        if row is None:
            raise RuntimeError(f"{name} kept nothing")
        return row


def _decision_of(row: dict[str, Any]) -> Decision:
    verdict = Verdict(Outcome(row["outcome"]), row["part_number"], Confidence(row["confidence"]), row["reason"])
    return Decision(
        id=row["id"],
        verdict=verdict,
        review_id=row["review_id"],
        second_look=row["second_look"],
        round=row["round"],
        catalogue_revision=row["catalogue_revision"],
        by=row["decided_by"],
        at=row["decided_at"],
    )


def _confirmation_of(row: dict[str, Any]) -> Confirmation:
    return Confirmation(
        row["id"],
        ConfirmationSource(row["source"]),
        row["part_number"],
        row["note"],
        row["confirmed_by"],
        row["confirmed_at"],
    )


def _note_of(row: dict[str, Any]) -> Note:
    return Note(row["id"], row["text"], row["written_by"], row["written_at"])


def _found_of(row: dict[str, Any]) -> FoundCase:
    why = row["closed_why"]
    return FoundCase(**row | {"closed_why": None if why is None else ClosedWhy(why)})
