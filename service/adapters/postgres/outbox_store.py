"""The outbox in Postgres. A job to deliver a message is made with the message, on the same connection."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import orjson
from uuid6 import uuid7

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.letter_store import QUERIES as LETTER_QUERIES
from service.adapters.postgres.letter_store import letter_of
from service.adapters.postgres.queries import Queries
from service.adapters.sealing import OPEN, Seal
from service.adapters.wake_up import wake_up
from service.domain.outbox import Channel, MessageState, Topic
from service.workflows.ports.sending import KeptLetter, Message, Taken, Unsent

QUERIES = Queries("outbox")

HOLD_S = 120.0
"""How long a worker has a message to itself: several times as long as any sending may take."""


class OutboxStore:
    """Satisfies `service.workflows.ports.sending.OutboxStore`."""

    def __init__(self, connection: Connection, seal: Seal = OPEN) -> None:
        self._connection = connection
        self._seal = seal

    def add_email(self, topic: Topic, letter: KeptLetter, recipient: str) -> UUID:
        """A letter, to be mailed."""
        told = {"submission_id": letter.submission_id, "letter_id": letter.id, "recipient": recipient}
        return self._add(UUID(int=uuid7().int), Channel.EMAIL, topic, told)

    def add_webhook(
        self,
        topic: Topic,
        endpoint_id: UUID,
        submission_id: UUID | None,
        data: dict[str, Any],
        letter_id: UUID | None = None,
    ) -> UUID:
        """Something that happened, to be posted to an address."""
        message_id = UUID(int=uuid7().int)
        body = orjson.dumps({"type": topic.value, "timestamp": datetime.now(UTC).isoformat(), "data": data}).decode()
        told = {"submission_id": submission_id, "endpoint_id": endpoint_id, "body": body, "letter_id": letter_id}
        return self._add(message_id, Channel.WEBHOOK, topic, told)

    def take(self, message_id: UUID) -> Taken | None:
        """Take a message that is due and in nobody's hands."""
        return self._taken(QUERIES["take"], {"id": message_id, "hold_seconds": HOLD_S})

    def take_next(self) -> Taken | None:
        """Take the message that has been due longest, where nobody has it."""
        return self._taken(QUERIES["take_next"], {"hold_seconds": HOLD_S})

    def sent(self, message_id: UUID) -> None:
        """The other side has acknowledged it."""
        self._connection.execute(QUERIES["sent"], {"id": message_id})

    def put_off(self, message_id: UUID, error: str, seconds: float) -> None:
        """It failed and is to be tried again."""
        values = {"id": message_id, "error": error, "seconds": seconds}
        row = self._connection.execute(QUERIES["put_off"], values).fetchone()
        if row is not None:
            wake_up(self._connection, message_id, row["due_at"])

    def bury(self, message_id: UUID, error: str) -> None:
        """It failed for good."""
        self._connection.execute(QUERIES["bury"], {"id": message_id, "error": error})

    def replay(self, message_id: UUID) -> bool:
        """Send a settled message again, under the same id."""
        if self._connection.execute(QUERIES["replay"], {"id": message_id}).fetchone() is None:
            return False
        wake_up(self._connection, message_id)
        return True

    def find(self, message_id: UUID) -> Message | None:
        """One message."""
        row = self._connection.execute(QUERIES["find"], {"id": message_id}).fetchone()
        return None if row is None else _message_of(row)

    def page(
        self, state: MessageState | None, submission_id: UUID | None, after: UUID | None, limit: int
    ) -> tuple[Message, ...]:
        """Messages in the order they were made."""
        values = {"state": None if state is None else state.value, "submission_id": submission_id, "after": after}
        rows = self._connection.execute(QUERIES["page"], values | {"limit": limit})
        return tuple(_message_of(row) for row in rows)

    def of_letter(self, letter_id: UUID) -> tuple[Message, ...]:
        """The messages that carry a letter, first to last."""
        rows = self._connection.execute(QUERIES["of_letter"], {"letter_id": letter_id})
        return tuple(_message_of(row) for row in rows)

    def unsent(self) -> tuple[Unsent, ...]:
        """What waits and what is dead."""
        rows = self._connection.execute(QUERIES["unsent"])
        return tuple(Unsent(MessageState(row["state"]), row["messages"], row["oldest_s"]) for row in rows)

    def forget_sent(self, days: int) -> int:
        """Forget some messages sent more than so many days ago."""
        return self._connection.execute(QUERIES["forget_sent"], {"days": days}).rowcount

    def _add(self, message_id: UUID, channel: Channel, topic: Topic, told: dict[str, Any]) -> UUID:
        nothing = dict.fromkeys(("submission_id", "letter_id", "endpoint_id", "recipient", "body"))
        values = {"id": message_id, "channel": channel.value, "topic": topic.value}
        self._connection.execute(QUERIES["add"], nothing | values | told)
        wake_up(self._connection, message_id)
        return message_id

    def _taken(self, query: bytes, values: dict[str, Any]) -> Taken | None:
        row = self._connection.execute(query, values).fetchone()
        if row is None:
            return None
        letter = None
        if row["letter_id"] is not None and row["channel"] == Channel.EMAIL:
            kept = self._connection.execute(LETTER_QUERIES["find"], {"id": row["letter_id"]}).fetchone()
            letter = None if kept is None else letter_of(kept)
        address = None
        if row["endpoint_id"] is not None:
            address = self._connection.execute(QUERIES["address"], {"id": row["endpoint_id"]}).fetchone()
        if address is None:
            return Taken(_message_of(row), letter, None, (), row["body"])
        both = (address["secret"], address["old_secret"])
        secrets = self._seal.open_all(secret for secret in both if secret is not None)
        return Taken(_message_of(row), letter, address["url"], secrets, row["body"])


def _message_of(row: dict[str, Any]) -> Message:
    return Message(
        id=row["id"],
        channel=Channel(row["channel"]),
        topic=Topic(row["topic"]),
        submission_id=row["submission_id"],
        letter_id=row["letter_id"],
        endpoint_id=row["endpoint_id"],
        recipient=row["recipient"],
        state=MessageState(row["state"]),
        attempts=row["attempts"],
        due_at=row["due_at"],
        made_at=row["made_at"],
        settled_at=row["settled_at"],
        last_error=row["last_error"],
    )
