"""What workflows need of the world, as Protocols. Adapters satisfy them by shape; nothing here is inherited from."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol, TypeVar
from uuid import UUID

from service.domain.access import NewKey, Role
from service.domain.casework import ClosedWhy
from service.domain.identification import Identification
from service.domain.readings import Reading, Submission
from service.domain.review import Decision
from service.workflows.ports.bench import InstrumentStore
from service.workflows.ports.cases import CaseStore, Round, StillShown
from service.workflows.ports.catalogue import CatalogueStore
from service.workflows.ports.drafts import DraftStore
from service.workflows.ports.engine import Learning
from service.workflows.ports.lift_tables import LiftTableStore
from service.workflows.ports.mail_ins import MailInStore
from service.workflows.ports.photos import PhotoStore
from service.workflows.ports.privacy import PrivacyStore
from service.workflows.ports.reidentification import ReidentificationStore
from service.workflows.ports.reviews import NewReview, Review, ReviewStore, TrailStore
from service.workflows.ports.sending import EndpointStore, LetterStore, OutboxStore

Found = TypeVar("Found")


@dataclass(frozen=True)
class KeyRecord:
    """A key as kept: what it may do, whose it is, and for a widget on which sites; never the key itself.

    Whoever works with a `shared` one has to say who they are.
    """

    id: UUID
    role: Role
    name: str
    origins: tuple[str, ...] = ()
    shared: bool = False


@dataclass(frozen=True)
class KeyEntry:
    """A key as it is listed: `ending` is its last characters, for recognising it."""

    record: KeyRecord
    ending: str
    created_at: datetime
    last_used_at: datetime | None
    expires_at: datetime | None
    revoked_at: datetime | None

    def works(self, now: datetime) -> bool:
        """Whether it still opens anything."""
        return self.revoked_at is None and (self.expires_at is None or self.expires_at > now)


@dataclass(frozen=True)
class Case:
    """A submission as kept, with its latest round, its newest review that is no second look, and the decision that
    holds. `row_revision` goes up with every change of its own that a client can see; the review has one too. `told`
    is None where the customer sees the latest answer.
    """

    id: UUID
    key_id: UUID
    reference: str
    row_revision: int
    submission: Submission
    latest: Round
    review: Review | None
    opened_at: datetime
    decision: Decision | None = None
    closed_at: datetime | None = None
    closed_why: ClosedWhy | None = None
    merged_into: UUID | None = None
    order_reference: str | None = None
    told: StillShown | None = None


@dataclass(frozen=True)
class Reply:
    """A finished answer to a request, ready to send and to send again; a `secret` one is kept as secrets are."""

    status: int
    headers: tuple[tuple[str, str], ...]
    body: bytes
    secret: bool = False


@dataclass(frozen=True)
class KeptReply:
    """A reply kept under an idempotency key, with the hash of the request it answered."""

    request_hash: bytes
    reply: Reply


class SubmissionStore(Protocol):
    """Submissions, their rounds and answers."""

    def open(
        self,
        key_id: UUID,
        submission: Submission,
        identification: Identification,
        catalogue_revision: int,
        review_for: Callable[[UUID], NewReview | None] = ...,
    ) -> Case:
        """Keep a new submission with its first round and the review that `review_for` says its id needs, if one.

        One statement, and returned as `find` would return it.
        """
        ...

    def find(self, submission_id: UUID, *, for_update: bool = False) -> Case | None:
        """A submission with its latest answer; `for_update` holds it until the transaction ends."""
        ...

    def add_round(
        self,
        case: Case,
        added: tuple[Reading, ...],
        submission: Submission,
        identification: Identification,
        catalogue_revision: int,
        *,
        withheld: bool = False,
    ) -> None:
        """Keep more readings and the answer to all of them; raises `StaleRevision` if the case has changed since.

        A `withheld` answer is not shown to the customer: they go on seeing the one they have seen last.
        """
        ...

    def answer_again(
        self, case: Case, identification: Identification, catalogue_revision: int, *, withheld: bool
    ) -> int:
        """Keep another answer to the same readings, as a round without new ones; returns its number.

        The customer has done nothing: the case counts as changed as long ago as before.
        """
        ...

    def let_out(self, submission_id: UUID) -> bool:
        """Show the customer the last answer from now on; False where they see it anyway."""
        ...

    def touch(self, submission_id: UUID) -> None:
        """Count a change that a client can see, made elsewhere (a review's), as a new revision of the case."""
        ...

    def rounds(self, submission_id: UUID) -> tuple[Round, ...]:
        """Every round, first to last."""
        ...


class KeyStore(Protocol):
    """API keys, hashed."""

    def add(self, digest: bytes, ending: str, wanted: NewKey) -> UUID:
        """Keep a new key's SHA-256 and its last characters."""
        ...

    def find(self, digest: bytes) -> KeyRecord | None:
        """The key with this digest, if it still works; notes that it was used, at most once a minute."""
        ...

    def named(self, key_id: UUID) -> KeyRecord | None:
        """The key with this id, revoked or not."""
        ...

    def all(self) -> tuple[KeyEntry, ...]:
        """Every key, oldest first."""
        ...

    def hold(self, key_id: UUID) -> KeyEntry | None:
        """The key with this id as it is listed, held until the transaction ends."""
        ...

    def hold_admins(self) -> frozenset[UUID]:
        """The admin keys that work for good, held until the transaction ends."""
        ...

    def expire(self, key_id: UUID, after: timedelta) -> None:
        """Let a key work so long and no longer."""
        ...

    def revoke(self, key_id: UUID) -> bool:
        """Stop a key from working; False if there is none such that still works."""
        ...


class IdempotencyStore(Protocol):
    """Replies kept under the keys that clients sent with their writes."""

    def claim(self, key_id: UUID, key: str) -> bool:
        """Hold this key until the transaction ends; False while another transaction holds it."""
        ...

    def find(self, key_id: UUID, key: str) -> KeptReply | None:
        """The reply kept under a key, if any."""
        ...

    def keep(self, key_id: UUID, key: str, kept: KeptReply) -> None:
        """Keep a reply; it becomes visible with everything else in the transaction."""
        ...

    def forget_old(self) -> int:
        """Forget a few replies past their time; how many there were, 0 when none is left."""
        ...


class Transaction(Learning, Protocol):
    """One transaction's stores: all of it happens, or none."""

    @property
    def catalogue(self) -> CatalogueStore:
        """Catalogue revisions."""
        ...

    @property
    def submissions(self) -> SubmissionStore:
        """Submissions and their answers."""
        ...

    @property
    def reviews(self) -> ReviewStore:
        """The human queue."""
        ...

    @property
    def cases(self) -> CaseStore:
        """Decisions, notes, links, and where a case stands."""
        ...

    @property
    def privacy(self) -> PrivacyStore:
        """One customer's data, and what is kept no longer than it may be."""
        ...

    @property
    def trail(self) -> TrailStore:
        """Who saw and changed what."""
        ...

    @property
    def keys(self) -> KeyStore:
        """API keys."""
        ...

    @property
    def letters(self) -> LetterStore:
        """Letters as they were issued."""
        ...

    @property
    def endpoints(self) -> EndpointStore:
        """Where webhooks go."""
        ...

    @property
    def outbox(self) -> OutboxStore:
        """What is to leave the house."""
        ...

    @property
    def mail_ins(self) -> MailInStore:
        """Shafts that are posted in."""
        ...

    @property
    def photos(self) -> PhotoStore:
        """Photos, of cases and of posted shafts."""
        ...

    @property
    def lift_tables(self) -> LiftTableStore:
        """Lift tables that were kept."""
        ...

    @property
    def instruments(self) -> InstrumentStore:
        """The bench's measuring instruments."""
        ...

    @property
    def reidentifications(self) -> ReidentificationStore:
        """Runs of asking cases again."""
        ...

    @property
    def drafts(self) -> DraftStore:
        """Catalogues that are not published yet."""
        ...

    @property
    def idempotency(self) -> IdempotencyStore:
        """Kept replies."""
        ...


class Stores(Protocol):
    """Where transactions come from."""

    def transaction(self) -> AbstractContextManager[Transaction]:
        """A transaction: committed on leaving normally, rolled back on an exception.

        Raises `Unavailable` when the store cannot be reached.
        """
        ...

    def look(self, work: Callable[[Transaction], Found]) -> Found:
        """What `work` returns: one statement that may be done twice. Raises `Unavailable` as `transaction` does."""
        ...

    def write(self, work: Callable[[Transaction], Found]) -> Found:
        """What `work` returns: one statement that writes, and so is a transaction, which is done once.

        Raises `Unavailable` as `transaction` does.
        """
        ...
