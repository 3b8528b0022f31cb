"""What workflows need of a case beside its readings, as Protocols; `stores.py` has the rest."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol
from uuid import UUID

from service.domain.casework import ClosedWhy, ConfirmationSource
from service.domain.identification import Identification
from service.domain.review import Decision, Verdict
from service.workflows.ports.reviews import Review


@dataclass(frozen=True)
class Round:
    """One asking of the engine: the answer to all readings there were after round `number`."""

    number: int
    readings: int
    identification: Identification
    catalogue_revision: int
    answered_at: datetime


@dataclass(frozen=True)
class StillShown:
    """What a customer goes on seeing while a later answer waits for a person: a round, and the review there was."""

    round: Round
    review: Review | None


@dataclass(frozen=True)
class Note:
    """What somebody at the desk wrote down about a case."""

    id: UUID
    text: str
    by: str
    at: datetime


@dataclass(frozen=True)
class NewDecision:
    """A decision to be kept."""

    submission_id: UUID
    review_id: UUID | None
    second_look: bool
    round: int
    verdict: Verdict
    catalogue_revision: int
    key_id: UUID
    by: str


@dataclass(frozen=True)
class Confirmation:
    """The truth about a case, as somebody came to know it; `part_number` is None for a part of nobody's here."""

    id: UUID
    source: ConfirmationSource
    part_number: str | None
    note: str | None
    by: str
    at: datetime


@dataclass(frozen=True)
class CaseFinder:
    """What somebody on the telephone knows of a case: whatever is given must fit. `names` are words of a name."""

    reference: str | None = None
    names: tuple[str, ...] = ()
    email: str | None = None
    phone: str | None = None
    part_number: str | None = None
    opened_from: datetime | None = None
    opened_before: datetime | None = None
    is_open: bool | None = None
    left_half_done: bool | None = None


@dataclass(frozen=True)
class FoundCase:
    """A case as a list shows it."""

    id: UUID
    reference: str
    source: str
    state: str
    name: str | None
    email: str | None
    phone: str | None
    leading_part: str | None
    decided: str | None
    opened_at: datetime
    changed_at: datetime
    closed_at: datetime | None
    closed_why: ClosedWhy | None


@dataclass(frozen=True)
class Silent:
    """A case to which nothing has been added since `changed_at`."""

    changed_at: datetime
    id: UUID


class CaseStore(Protocol):
    """Decisions, notes and links of a case, and where it stands. All but reading works on a case that is held."""

    def decide(self, new: NewDecision) -> Decision:
        """Keep a decision; it holds from now on."""
        ...

    def decisions(self, submission_id: UUID) -> tuple[Decision, ...]:
        """A case's decisions, first to last; the last one holds."""
        ...

    def note(self, submission_id: UUID, text: str, key_id: UUID, by: str) -> Note:
        """Write something down."""
        ...

    def notes(self, submission_id: UUID) -> tuple[Note, ...]:
        """A case's notes, first to last."""
        ...

    def close(
        self,
        submission_id: UUID,
        why: ClosedWhy,
        *,
        merged_into: UUID | None = None,
        order_reference: str | None = None,
    ) -> bool:
        """Close a case; False where it is closed already."""
        ...

    def reopen(self, submission_id: UUID) -> bool:
        """Open a closed case again; False where it is not closed, or was merged."""
        ...

    def search(self, finder: CaseFinder, before: UUID | None, limit: int) -> tuple[FoundCase, ...]:
        """Cases that fit, newest first, those opened before the case `before`."""
        ...

    def others_of(self, submission_id: UUID, limit: int) -> tuple[FoundCase, ...]:
        """Other cases with the same e-mail address or telephone number, newest first."""
        ...

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
        ...

    def confirmations(self, submission_id: UUID) -> tuple[Confirmation, ...]:
        """A case's confirmations, first to last; the last one holds."""
        ...

    def add_link(self, submission_id: UUID, digest: bytes, lasts: timedelta) -> datetime:
        """Keep a return link by its SHA-256; returns when it lapses."""
        ...

    def find_link(self, digest: bytes) -> tuple[UUID, UUID] | None:
        """The case that a link leads to, while it has not lapsed, and the key it was opened with. One statement."""
        ...

    def silent(self, days: int, after: Silent | None, limit: int) -> tuple[Silent, ...]:
        """Open cases to which nothing has been added for so many days, longest first, those after one of them."""
        ...

    def take_half_done(self, days: int, silent: tuple[UUID, ...]) -> tuple[tuple[UUID, UUID], ...]:
        """Mark a few of these cases' callers as reminded, once for all, who were asked for a reading so many days ago.

        Returns their cases, and the keys these came in by.
        """
        ...

    def close_half_done(self, days: int) -> tuple[UUID, ...]:
        """Close a few cases whose callers were reminded so many days ago and have not come back: which they were."""
        ...
