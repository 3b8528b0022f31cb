"""Posted shafts in Postgres."""

from __future__ import annotations

import secrets
from dataclasses import replace
from datetime import datetime
from typing import Any
from uuid import UUID

from psycopg.types.json import Jsonb
from uuid6 import uuid7

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.lift_table_store import LiftTableStore
from service.adapters.postgres.photo_store import PhotoStore
from service.adapters.postgres.queries import Queries
from service.domain.errors import StaleRevision
from service.domain.mail_in import ArrivedCondition, EventKind, MailInState
from service.domain.readings import Contact
from service.domain.reference import REFERENCES, reference_of
from service.domain.units import LengthUnit
from service.workflows.ports.mail_ins import Announcement, Happened, MailIn, Standing
from service.workflows.ports.photos import PhotoEntry

QUERIES = Queries("mail_ins")

_DRAWS = 100


class MailInStore:
    """Satisfies `service.workflows.ports.mail_ins.MailInStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def announce(self, key_id: UUID, said: Announcement, due_at: datetime) -> UUID:
        """Keep a new one under a reference that no other has."""
        values = {
            "id": UUID(int=uuid7().int),
            "key_id": key_id,
            "submission_id": said.submission_id,
            "unit": said.unit.value,
            "contact": None if said.contact is None else Jsonb(vars(said.contact)),
            "send_back_to": list(said.send_back_to),
            "note": said.note,
            "due_at": due_at,
        }
        for _ in range(_DRAWS):
            # Drawn, not counted: a reference tells nobody how many shafts there are.
            values["reference"] = reference_of(secrets.randbelow(REFERENCES))
            row = self._connection.execute(QUERIES["announce"], values).fetchone()
            if row is not None:
                mail_in_id: UUID = row["id"]
                return mail_in_id
        raise RuntimeError("the references are used up")

    def find(self, mail_in_id: UUID, *, for_update: bool = False) -> MailIn | None:
        """A shaft with its events and photos."""
        if for_update:
            # Locked by a statement of its own, so that the next one sees what the last holder committed.
            self._connection.execute(QUERIES["hold"], {"id": mail_in_id})
        row = self._connection.execute(QUERIES["find"], {"id": mail_in_id}).fetchone()
        if row is None:
            return None
        events = tuple(_event_of(each) for each in self._connection.execute(QUERIES["events"], {"id": mail_in_id}))
        photos = PhotoStore(self._connection).of_mail_in(mail_in_id)
        tables = LiftTableStore(self._connection).ids_of_mail_in(mail_in_id)
        return replace(_mail_in_of(row, events, photos), lift_tables=tables)

    def open_of(self, submission_id: UUID) -> UUID | None:
        """The shaft of a submission that is on its way or here."""
        row = self._connection.execute(QUERIES["open_of"], {"submission_id": submission_id}).fetchone()
        return None if row is None else row["id"]

    def hold_of(self, submission_ids: tuple[UUID, ...]) -> None:
        """Hold the shafts of these submissions until the transaction ends."""
        self._connection.execute(QUERIES["hold_of"], {"submission_ids": list(submission_ids)})

    def move(self, submission_id: UUID, into: UUID) -> None:
        """Make the shafts of one submission another's."""
        self._connection.execute(QUERIES["move"], {"submission_id": submission_id, "into": into})

    def page(
        self, state: MailInState | None, overdue: bool | None, reference: str | None, after: UUID | None, limit: int
    ) -> tuple[MailIn, ...]:
        """Shafts in the order they were announced, without their events and photos."""
        values = {"state": None if state is None else state.value, "overdue": overdue, "reference": reference}
        rows = self._connection.execute(QUERIES["page"], values | {"after": after, "limit": limit})
        return tuple(_mail_in_of(row) for row in rows)

    def note(self, mail_in_id: UUID, key_id: UUID, happened: Happened) -> None:
        """Add what happened."""
        values = vars(happened) | {"mail_in_id": mail_in_id, "key_id": key_id, "kind": happened.kind.value}
        values["condition"] = [each.value for each in happened.condition]
        values["details"] = Jsonb(happened.details)
        self._connection.execute(QUERIES["note"], values)

    def stand(self, mail_in: MailIn, standing: Standing) -> None:
        """Where it stands now."""
        values = vars(standing) | {"id": mail_in.id, "row_revision": mail_in.row_revision}
        values["state"] = standing.state.value
        if self._connection.execute(QUERIES["stand"], values).fetchone() is None:
            raise StaleRevision

    def touch(self, mail_in_id: UUID) -> None:
        """Count a change made elsewhere."""
        self._connection.execute(QUERIES["touch"], {"id": mail_in_id})


def _mail_in_of(row: dict[str, Any], events: tuple[Happened, ...] = (), photos: tuple[PhotoEntry, ...] = ()) -> MailIn:
    told = row | {
        "state": MailInState(row["state"]),
        "unit": LengthUnit(row["unit"]),
        "contact": None if row["contact"] is None else Contact(**row["contact"]),
        "send_back_to": tuple(row["send_back_to"]),
    }
    return MailIn(**told, events=events, photos=photos)


def _event_of(row: dict[str, Any]) -> Happened:
    condition = tuple(ArrivedCondition(each) for each in row["condition"])
    return Happened(**(row | {"kind": EventKind(row["kind"]), "condition": condition}))
