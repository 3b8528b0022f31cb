"""Cases, letters and messages to send, with valid defaults."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from uuid import UUID, uuid4

import psycopg
from psycopg.rows import dict_row

from service.adapters.postgres.pool import PostgresStores
from service.domain.access import Role
from service.domain.outbox import Topic
from service.workflows.keys import authenticate, create_key
from service.workflows.ports.sending import Hook, KeptLetter, Mail
from service.workflows.ports.stores import KeyRecord
from service.workflows.sending.deliver import Carriers
from service.workflows.sending.publish import new_secret
from tests.unit.documents.answers import typical


@dataclass
class Sending:
    """One case of one store, on a database of a test's own."""

    stores: PostgresStores
    url: str
    key: KeyRecord
    submission_id: UUID

    def letter(self) -> KeptLetter:
        return KeptLetter(
            id=uuid4(),
            submission_id=self.submission_id,
            mail_in_id=None,
            round=1,
            subject="Your camshaft",
            addressee="A. Caller",
            html="<p>It is WREN 7-31.</p>",
            text="It is WREN 7-31.\n",
            pdf=b"%PDF-1.7 not much",
            issued_by="the tests",
            issued_at=datetime.now(UTC),
        )

    def mail(self, recipient: str = "caller@shop.example") -> UUID:
        """Put a letter in the outbox; the id of the message."""
        letter = self.letter()
        with self.stores.transaction() as transaction:
            transaction.letters.keep(letter, self.key.id)
            return transaction.outbox.add_email(Topic.LETTER_ISSUED, letter, recipient)

    def endpoint(self, url: str, **said: Any) -> tuple[UUID, str]:
        """Have webhooks posted to an address; its id and its secret."""
        secret = new_secret()
        given: dict[str, Any] = {"topics": (), "key_id": None, "note": ""} | said
        with self.stores.transaction() as transaction:
            return transaction.endpoints.add(url, secret, **given).id, secret

    def hook(self, endpoint_id: UUID, **data: Any) -> UUID:
        """Put a webhook in the outbox; the id of the message."""
        with self.stores.transaction() as transaction:
            return transaction.outbox.add_webhook(Topic.LETTER_ISSUED, endpoint_id, self.submission_id, data)

    def row(self, message_id: UUID) -> dict[str, Any]:
        """A message as the database has it."""
        with psycopg.connect(self.url, row_factory=dict_row) as connection:
            row = connection.execute("SELECT * FROM outbox_messages WHERE id = %s", [message_id]).fetchone()
        assert row is not None
        return row

    def state(self, message_id: UUID) -> str:
        return str(self.row(message_id)["state"])

    def pass_time(self, seconds: float) -> None:
        """Let so many seconds go by for everything that waits: messages, holds, jobs and the workers' heartbeats."""
        with psycopg.connect(self.url) as connection:
            connection.execute(
                "UPDATE outbox_messages SET due_at = due_at - make_interval(secs => %(s)s),"
                " held_until = held_until - make_interval(secs => %(s)s)",
                {"s": seconds},
            )
            connection.execute(
                "UPDATE procrastinate_jobs SET scheduled_at = scheduled_at - make_interval(secs => %s)", [seconds]
            )
            connection.execute(
                "UPDATE procrastinate_workers SET last_heartbeat = last_heartbeat - make_interval(secs => %s)",
                [seconds],
            )

    def jobs(self) -> int:
        """How many deliveries are still to be made."""
        with psycopg.connect(self.url) as connection:
            row = connection.execute(
                "SELECT count(*) FROM procrastinate_jobs WHERE task_name = 'deliver_message' AND status = 'todo'"
            ).fetchone()
        assert row is not None
        return int(row[0])


def start_sending(stores: PostgresStores, url: str) -> Sending:
    """A case to write letters about."""
    key = authenticate(stores, create_key(stores, Role.WIDGET, "a store"))
    sent, found = typical()
    with stores.transaction() as transaction:
        submission_id = transaction.submissions.open(key.id, sent, found, 1).id
    return Sending(stores, url, key, submission_id)


class Nobody:
    """A way out that must not be used."""

    def send(self, what: Mail | Hook) -> None:
        raise AssertionError(f"nothing was to be sent, least of all {what}")


NOBODY = Nobody()


def only_mail(mail: Any) -> Carriers:
    return Carriers(mail, NOBODY)


def only_hooks(hooks: Any) -> Carriers:
    return Carriers(NOBODY, hooks)
