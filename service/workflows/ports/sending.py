"""What sending needs of the world, as Protocols: letters kept, webhook addresses, the outbox, and the two ways out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol
from uuid import UUID

from service.domain.outbox import Channel, MessageState, Topic


@dataclass(frozen=True)
class Mail:
    """An e-mail to send; `id` makes its Message-ID."""

    id: UUID
    to: str
    to_name: str | None
    subject: str
    text: str
    html: str
    made_at: datetime
    pdf: bytes | None = None
    pdf_name: str = "letter.pdf"


@dataclass(frozen=True)
class Hook:
    """A webhook to post: `body` is posted and signed as it stands, with each of `secrets`; `id` is its webhook-id."""

    id: UUID
    url: str
    secrets: tuple[str, ...]
    body: str


class MailSender(Protocol):
    """A mail server."""

    def send(self, mail: Mail) -> None:
        """Hand a mail over; raises `NotDelivered`."""
        ...


class HookSender(Protocol):
    """Whoever posts webhooks."""

    def send(self, hook: Hook) -> None:
        """Post one; raises `NotDelivered`."""
        ...


@dataclass(frozen=True)
class KeptLetter:
    """A letter as it was issued, in its three forms; it is never changed. `round` is the answer it rests on."""

    id: UUID
    submission_id: UUID
    mail_in_id: UUID | None
    round: int
    subject: str
    addressee: str | None
    html: str
    text: str
    pdf: bytes
    issued_by: str
    issued_at: datetime


@dataclass(frozen=True)
class Endpoint:
    """An address that webhooks go to. `topics` empty means all; `key_id` set means only cases opened with that key."""

    id: UUID
    url: str
    topics: tuple[Topic, ...]
    key_id: UUID | None
    note: str
    made_at: datetime
    disabled_at: datetime | None
    disabled_why: str | None


@dataclass(frozen=True)
class Message:
    """A message in the outbox, as it is listed. `attempts` counts those begun."""

    id: UUID
    channel: Channel
    topic: Topic
    submission_id: UUID | None
    letter_id: UUID | None
    endpoint_id: UUID | None
    recipient: str | None
    state: MessageState
    attempts: int
    due_at: datetime
    made_at: datetime
    settled_at: datetime | None
    last_error: str | None


@dataclass(frozen=True)
class Taken:
    """A message in a worker's hands, with all it takes to send it; no `secrets` where no key opens them."""

    message: Message
    letter: KeptLetter | None
    url: str | None
    secrets: tuple[str, ...]
    body: str | None


class LetterStore(Protocol):
    """Letters as they were issued."""

    def keep(self, letter: KeptLetter, key_id: UUID) -> None:
        """Keep a letter."""
        ...

    def find(self, letter_id: UUID) -> KeptLetter | None:
        """A letter."""
        ...

    def of_submission(self, submission_id: UUID) -> tuple[KeptLetter, ...]:
        """The letters of a submission, newest first."""
        ...


@dataclass(frozen=True)
class SecretStanding:
    """How signing secrets lie in the database: whether there is a key to seal with, and how many there are of addresses
    in use, how many of these lie open, and how many no key opens."""

    keyed: bool
    kept: int
    lie_open: int
    shut: int


class EndpointStore(Protocol):
    """Where webhooks go."""

    def add(self, url: str, secret: str, topics: tuple[Topic, ...], key_id: UUID | None, note: str) -> Endpoint:
        """Keep an address."""
        ...

    def all(self) -> tuple[Endpoint, ...]:
        """Every address, oldest first."""
        ...

    def find(self, endpoint_id: UUID) -> Endpoint | None:
        """One address."""
        ...

    def wanting(self, topic: Topic, key_id: UUID | None) -> tuple[Endpoint, ...]:
        """The addresses that want to hear of `topic` in a case opened with a key."""
        ...

    def standing(self) -> SecretStanding:
        """How the secrets of the addresses in use lie."""
        ...

    def change_secret(self, endpoint_id: UUID, secret: str) -> bool:
        """Sign with a new secret, and with the old one as well for a day; False where there is no such address."""
        ...

    def disable(self, endpoint_id: UUID, why: str) -> bool:
        """Send nothing there any more; False where nothing was sent there already."""
        ...


@dataclass(frozen=True)
class Unsent:
    """Messages in a state other than sent: how many, and for how many seconds the most overdue has been due."""

    state: MessageState
    messages: int
    oldest_s: float


class OutboxStore(Protocol):
    """Messages that are to leave the house. One is added in the transaction that makes what it tells."""

    def add_email(self, topic: Topic, letter: KeptLetter, recipient: str) -> UUID:
        """A letter, to be mailed."""
        ...

    def add_webhook(
        self,
        topic: Topic,
        endpoint_id: UUID,
        submission_id: UUID | None,
        data: dict[str, Any],
        letter_id: UUID | None = None,
    ) -> UUID:
        """Something that happened, to be posted to an address."""
        ...

    def take(self, message_id: UUID) -> Taken | None:
        """Take a message that is due and in nobody's hands, for a while; None where it is not."""
        ...

    def take_next(self) -> Taken | None:
        """Take the message that has been due longest, where nobody has it."""
        ...

    def sent(self, message_id: UUID) -> None:
        """The other side has acknowledged it."""
        ...

    def put_off(self, message_id: UUID, error: str, seconds: float) -> None:
        """It failed and is to be tried again."""
        ...

    def bury(self, message_id: UUID, error: str) -> None:
        """It failed for good."""
        ...

    def replay(self, message_id: UUID) -> bool:
        """Send a settled message again, under the same id, from the first attempt on; False where there is none."""
        ...

    def find(self, message_id: UUID) -> Message | None:
        """One message."""
        ...

    def page(
        self, state: MessageState | None, submission_id: UUID | None, after: UUID | None, limit: int
    ) -> tuple[Message, ...]:
        """Messages in the order they were made."""
        ...

    def of_letter(self, letter_id: UUID) -> tuple[Message, ...]:
        """The messages that carry a letter, first to last."""
        ...

    def unsent(self) -> tuple[Unsent, ...]:
        """What waits and what is dead, a state each."""
        ...

    def forget_sent(self, days: int) -> int:
        """Forget messages sent more than so many days ago; how many there were."""
        ...
