"""Connections to Postgres, and the transaction that hands out stores.

A pool belongs to one process: open it after a fork, never before (two processes on one connection corrupt it).
"""

from __future__ import annotations

import select
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cached_property
from typing import Any, TypeAlias, TypeVar

import orjson
import psycopg
from psycopg.conninfo import conninfo_to_dict, make_conninfo
from psycopg.rows import dict_row
from psycopg.types.json import set_json_dumps, set_json_loads
from psycopg_pool import ConnectionPool, PoolTimeout

from service import spans
from service.adapters.postgres.case_store import CaseStore
from service.adapters.postgres.catalogue_store import CatalogueStore
from service.adapters.postgres.connection import Connection, PatientConnection, ServerSilent
from service.adapters.postgres.draft_store import DraftStore
from service.adapters.postgres.endpoint_store import EndpointStore
from service.adapters.postgres.engine_store import EngineVersionStore
from service.adapters.postgres.engine_table_store import EngineTableStore
from service.adapters.postgres.idempotency_store import IdempotencyStore
from service.adapters.postgres.instrument_store import InstrumentStore
from service.adapters.postgres.key_store import KeyStore
from service.adapters.postgres.letter_store import LetterStore
from service.adapters.postgres.lift_table_store import LiftTableStore
from service.adapters.postgres.look_alike_store import LookAlikeStore
from service.adapters.postgres.mail_in_store import MailInStore
from service.adapters.postgres.outbox_store import OutboxStore
from service.adapters.postgres.photo_store import PhotoStore
from service.adapters.postgres.privacy_store import PrivacyStore
from service.adapters.postgres.record_store import RecordStore
from service.adapters.postgres.reidentification_store import ReidentificationStore
from service.adapters.postgres.review_store import ReviewStore
from service.adapters.postgres.submission_store import SubmissionStore
from service.adapters.postgres.traced import TracedCursor
from service.adapters.postgres.trail_store import TrailStore
from service.adapters.sealing import OPEN, Seal
from service.domain.errors import Unavailable

Pool: TypeAlias = ConnectionPool[Connection]

SAID_AFTER_S = 2.0
"""Postgres says that a statement took too long; when it has not so long after, it says nothing at all."""

Store = TypeVar("Store")
Found = TypeVar("Found")

_PASSING = (psycopg.errors.IdleInTransactionSessionTimeout, psycopg.errors.ReadOnlySqlTransaction)
"""What passes, and that psycopg does not count among the operational errors."""


def session_conninfo(url: str, *, statement_timeout: float = 5.0, lock_timeout: float = 2.0) -> str:
    """`url` with what every session of the service runs under. Timeouts in seconds.

    Options already in `url` come first, so ours win.
    """
    given = conninfo_to_dict(url)
    options = {
        "statement_timeout": f"{statement_timeout * 1000:.0f}",
        "lock_timeout": f"{lock_timeout * 1000:.0f}",
        "idle_in_transaction_session_timeout": "30000",
        "timezone": "UTC",
    }
    ours = " ".join(f"-c {name}={value}" for name, value in options.items())
    return make_conninfo(
        url,
        options=f"{given.get('options') or ''} {ours}".strip(),
        application_name=given.get("application_name") or "lobedesk",
        connect_timeout=given.get("connect_timeout") or "3",
    )


def prepare_connection(connection: psycopg.Connection[Any]) -> None:
    """Make a fresh connection ours: jsonb goes through orjson, and nothing begins a transaction unasked."""
    set_json_loads(orjson.loads, connection)
    set_json_dumps(orjson.dumps, connection)
    connection.autocommit = True


def open_pool(url: str, size: int = 4, *, statement_timeout: float = 5.0, lock_timeout: float = 2.0) -> Pool:
    """A pool of at most `size` connections. It fills in the background, so an absent server is no error here.

    Connections are not checked when they are borrowed: that doubles the cost of a borrow, and with several dead ones
    the first call waits for the whole pool. `PostgresStores.transaction` finds a dead one by its own BEGIN instead.
    """
    patient = type("Patient", (PatientConnection,), {"patience_s": statement_timeout + SAID_AFTER_S})
    return ConnectionPool(
        session_conninfo(url, statement_timeout=statement_timeout, lock_timeout=lock_timeout),
        connection_class=patient,
        kwargs={"row_factory": dict_row} | ({"cursor_factory": TracedCursor} if spans.are_taken() else {}),
        min_size=1,
        max_size=size,
        timeout=2.0,
        reconnect_timeout=5.0,
        configure=prepare_connection,
        open=True,
        name="lobedesk",
    )


def _store(make: Callable[[Connection], Store]) -> cached_property[Store]:
    """A store of the transaction, made when first asked for."""
    return cached_property(lambda transaction: make(transaction.connection))


class PostgresTransaction:
    """One transaction: the stores that take part in it. A new store is one line here."""

    catalogue = _store(CatalogueStore)
    engine_versions = _store(EngineVersionStore)
    engine_tables = _store(EngineTableStore)
    look_alikes = _store(LookAlikeStore)
    drafts = _store(DraftStore)
    submissions = _store(SubmissionStore)
    reviews = _store(ReviewStore)
    cases = _store(CaseStore)
    trail = _store(TrailStore)
    record = _store(RecordStore)
    reidentifications = _store(ReidentificationStore)
    privacy = _store(PrivacyStore)
    keys = _store(KeyStore)
    letters = _store(LetterStore)
    mail_ins = _store(MailInStore)
    photos = _store(PhotoStore)
    lift_tables = _store(LiftTableStore)
    instruments = _store(InstrumentStore)

    def __init__(self, connection: Connection, reply_seconds: float, seal: Seal = OPEN) -> None:
        self.connection = connection
        self.idempotency = IdempotencyStore(connection, reply_seconds, seal)
        self.endpoints = EndpointStore(connection, seal)
        self.outbox = OutboxStore(connection, seal)


class PostgresStores:
    """Gives out transactions; satisfies `service.workflows.ports.stores.Stores` by shape."""

    def __init__(self, pool: Pool, reply_seconds: float = 86_400, seal: Seal = OPEN) -> None:
        self._pool = pool
        self._reply_seconds = reply_seconds
        self._seal = seal

    @contextmanager
    def transaction(self) -> Iterator[PostgresTransaction]:
        """One transaction: commits on a normal exit, rolls back on an exception.

        A connection that died while it lay in the pool is replaced once, before anything has been done on it, so
        nothing is ever done twice. Raises `Unavailable` when Postgres does not answer, is too slow, takes no writes (a
        standby, or a full disk's precaution), or gives up on a lock or a deadlock.
        """
        try:
            with (
                spans.span("transaction", spans.Kind.CLIENT, db__system__name="postgresql"),
                self._begun() as connection,
            ):
                yield self._on(connection)
        except (psycopg.OperationalError, *_PASSING) as error:
            raise Unavailable from error

    def look(self, work: Callable[[PostgresTransaction], Found]) -> Found:
        """What `work` returns, which is one statement that may be done twice: a third of a transaction's round trips.

        A connection that died while it lay in the pool is replaced once. Raises `Unavailable` as `transaction` does.
        """
        try:
            with self._lent() as connection:
                try:
                    return work(self._on(connection))
                except psycopg.OperationalError as error:
                    if not connection.closed or isinstance(error, ServerSilent):
                        raise
            self._pool.check()
            with self._lent() as connection:
                return work(self._on(connection))
        except (psycopg.OperationalError, *_PASSING) as error:
            raise Unavailable from error

    def write(self, work: Callable[[PostgresTransaction], Found]) -> Found:
        """What `work` returns, which is one statement that writes, and so is a transaction: one round trip, not three.

        What writes more than one statement is undone only in part: give it a transaction. A connection that died while
        it lay in the pool is found by its end, which can be read, and left to `transaction`, so that nothing is done
        twice. Raises `Unavailable` as `transaction` does.
        """
        try:
            with self._lent() as connection:
                if not _has_word(connection):
                    return work(self._on(connection))
        except (psycopg.OperationalError, *_PASSING) as error:
            raise Unavailable from error
        with self.transaction() as transaction:
            return work(transaction)

    def _on(self, connection: Connection) -> PostgresTransaction:
        return PostgresTransaction(connection, self._reply_seconds, self._seal)

    @contextmanager
    def _lent(self) -> Iterator[Connection]:
        connection = self._pool.getconn()
        try:
            yield connection
        finally:
            self._pool.putconn(connection)

    @contextmanager
    def _begun(self) -> Iterator[Connection]:
        connection = self._borrow()
        try:
            yield connection
            connection.commit()
        except BaseException:
            if not connection.closed:
                connection.rollback()
            raise
        finally:
            if isinstance(connection, PatientConnection):
                connection.allowed_s = 0.0
            self._pool.putconn(connection)

    def _borrow(self) -> Connection:
        """A connection that has answered to BEGIN."""
        try:
            return self._begin(self._pool.getconn())
        except (PoolTimeout, ServerSilent):
            raise
        except psycopg.OperationalError:
            # Whatever ended this connection has most likely ended its neighbours too.
            self._pool.check()
            return self._begin(self._pool.getconn())

    def _begin(self, connection: Connection) -> Connection:
        try:
            connection.execute("BEGIN")
        except BaseException:
            self._pool.putconn(connection)
            raise
        return connection


def _has_word(connection: Connection) -> bool:
    """Whether the server has said something unasked on an idle connection, which most often is that it is over."""
    if connection.closed:
        return True
    waiting = select.poll()
    waiting.register(connection.fileno(), select.POLLIN)
    return bool(waiting.poll(0))
