"""What the work on posted shafts needs of the world, as Protocols."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Protocol
from uuid import UUID

from service.domain.mail_in import ArrivedCondition, EventKind, MailInState
from service.domain.readings import Contact
from service.domain.units import LengthUnit
from service.workflows.ports.photos import PhotoEntry


@dataclass(frozen=True)
class Happened:
    """Something that happened to a shaft: who did it, when and where; `recorded_at` is when that was told."""

    number: int
    kind: EventKind
    at: datetime
    recorded_at: datetime
    who: str
    place: str
    condition: tuple[ArrivedCondition, ...] = ()
    note: str | None = None
    details: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class MailIn:
    """A shaft that is posted in. `place` is where it lies, None while it is not here. `events` first to last."""

    id: UUID
    reference: str
    key_id: UUID
    submission_id: UUID | None
    row_revision: int
    state: MailInState
    place: str | None
    unit: LengthUnit
    contact: Contact | None
    send_back_to: tuple[str, ...]
    note: str | None
    consented: bool
    state_since: datetime
    due_at: datetime | None
    announced_at: datetime
    overdue: bool
    events: tuple[Happened, ...] = ()
    photos: tuple[PhotoEntry, ...] = ()
    lift_tables: tuple[UUID, ...] = ()


@dataclass(frozen=True)
class Announcement:
    """What is said of a shaft before it comes."""

    submission_id: UUID | None
    unit: LengthUnit
    contact: Contact | None
    send_back_to: tuple[str, ...]
    note: str | None


@dataclass(frozen=True)
class Standing:
    """Where a shaft stands after an event."""

    state: MailInState
    place: str | None
    due_at: datetime | None
    submission_id: UUID | None
    consented: bool


class MailInStore(Protocol):
    """Posted shafts."""

    def announce(self, key_id: UUID, said: Announcement, due_at: datetime) -> UUID:
        """Keep a new one; returns its id."""
        ...

    def find(self, mail_in_id: UUID, *, for_update: bool = False) -> MailIn | None:
        """A shaft with its events and photos; `for_update` holds it until the transaction ends."""
        ...

    def open_of(self, submission_id: UUID) -> UUID | None:
        """The shaft of a submission that is on its way or here."""
        ...

    def hold_of(self, submission_ids: tuple[UUID, ...]) -> None:
        """Hold the shafts of these submissions until the transaction ends."""
        ...

    def move(self, submission_id: UUID, into: UUID) -> None:
        """Make the shafts of one submission another's."""
        ...

    def page(
        self, state: MailInState | None, overdue: bool | None, reference: str | None, after: UUID | None, limit: int
    ) -> tuple[MailIn, ...]:
        """Shafts in the order they were announced, without their events and photos."""
        ...

    def note(self, mail_in_id: UUID, key_id: UUID, happened: Happened) -> None:
        """Add what happened."""
        ...

    def stand(self, mail_in: MailIn, standing: Standing) -> None:
        """Where it stands now; raises `StaleRevision` if it has changed since it was read."""
        ...

    def touch(self, mail_in_id: UUID) -> None:
        """Count a change that a client can see and that is no event, made elsewhere, as a new revision of the shaft."""
        ...
