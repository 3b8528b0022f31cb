"""Recovery to a moment, rehearsed with the script an operator runs: what was acknowledged before is there, and nothing
after."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from uuid import UUID

import psycopg
import pytest

from service.adapters.embedded import EmbeddedError
from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.postgres.migrations.migrate import upgrade
from service.adapters.postgres.pool import PostgresStores, open_pool
from service.domain.access import Role
from service.workflows.keys import authenticate, create_key
from service.workflows.ports.stores import KeyRecord
from tests.instances import CHECKOUT
from tests.unit.documents.answers import typical

pytestmark = pytest.mark.long

SCRIPT = str(CHECKOUT / "deploy" / "recovery")


def recovery(url: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"LOBEDESK_DATABASE_URL": url, "PYTHON": sys.executable}
    return subprocess.run([SCRIPT, *arguments], env=environment, capture_output=True, text=True, check=False)


def well(url: str, *arguments: str) -> str:
    done = recovery(url, *arguments)
    assert done.returncode == 0, done.stderr
    return done.stdout


@contextmanager
def archiver(url: str, folder: Path) -> Iterator[None]:
    """Inside, the archive is being kept; it is ended outright, as with the machine."""
    environment = os.environ | {"LOBEDESK_DATABASE_URL": url, "PYTHON": sys.executable}
    process = subprocess.Popen([SCRIPT, "archive", str(folder)], env=environment)
    try:
        with psycopg.connect(url, autocommit=True) as connection:
            until(lambda: bool(connection.execute("SELECT 1 FROM pg_stat_replication").fetchone()))
        yield
    finally:
        process.kill()
        process.wait()


def until(condition: object) -> None:
    deadline = time.monotonic() + 60
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < deadline
        time.sleep(0.02)


@dataclass
class Shop:
    """A desk over a durable Postgres of its own."""

    folder: Path
    postgres: EmbeddedPostgres
    archive: Path = field(init=False)

    def __post_init__(self) -> None:
        self.archive = self.folder / "archive"

    @property
    def url(self) -> str:
        return self.postgres.url()

    @property
    def cluster(self) -> Path:
        return self.folder / "postgres"

    def lose(self) -> None:
        """The disk with the database is gone, and the server with it."""
        pid = self.postgres.pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        self.postgres.stop()
        shutil.rmtree(self.cluster)


@pytest.fixture
def shop() -> Iterator[Shop]:
    folder = Path(tempfile.mkdtemp(prefix="lobedesk-recovery-"))
    (folder / "run").mkdir(mode=0o700)
    postgres = EmbeddedPostgres(folder / "postgres", folder / "run")
    try:
        postgres.start()
        upgrade(postgres.url())
        yield Shop(folder, postgres)
    finally:
        postgres.stop()
        shutil.rmtree(folder)


@dataclass(frozen=True)
class Written:
    """A case, when it was begun to be written, and when that was acknowledged."""

    id: UUID
    begun: datetime
    acknowledged: datetime


class Writing:
    """Opens cases without pause on threads of its own, until it is stopped or the database is gone."""

    def __init__(self, url: str) -> None:
        self._pool = open_pool(url)
        self._stores = PostgresStores(self._pool)
        self._key: KeyRecord = authenticate(self._stores, create_key(self._stores, Role.DESK, "the desk"))
        self.done: list[Written] = []
        self._over = threading.Event()
        self._threads = [threading.Thread(target=self._write) for _ in range(3)]
        for thread in self._threads:
            thread.start()

    def _write(self) -> None:
        sent, found = typical()
        while not self._over.is_set():
            begun = datetime.now(UTC)
            try:
                with self._stores.transaction() as transaction:
                    opened = transaction.submissions.open(self._key.id, sent, found, 1)
            except Exception:
                return
            self.done.append(Written(opened.id, begun, datetime.now(UTC)))

    def until(self, count: int) -> None:
        until(lambda: len(self.done) >= count)

    def stop(self) -> None:
        self._over.set()
        for thread in self._threads:
            thread.join()
        self._pool.close()


def cases(url: str) -> set[UUID]:
    with psycopg.connect(url) as connection:
        return {row[0] for row in connection.execute("SELECT id FROM submissions")}


def test_the_database_comes_back_as_it_stood_at_a_moment(shop: Shop) -> None:
    with archiver(shop.url, shop.archive):
        well(shop.url, "base", str(shop.archive))
        writing = Writing(shop.url)
        writing.until(150)
        moment = datetime.now(UTC)
        time.sleep(0.2)
        writing.until(len(writing.done) + 150)
        # a base backup from after the moment is of no use for it, and not taken
        well(shop.url, "base", str(shop.archive))
        writing.until(len(writing.done) + 50)
        writing.stop()
        time.sleep(1.0)  # nobody waits for the archive here: it is a moment behind
        shop.lose()

    said = well("", "to", str(shop.archive), str(shop.cluster), moment.isoformat())
    assert "to recover to" in said
    shop.postgres.start()

    there = cases(shop.url)
    assert {one.id for one in writing.done if one.acknowledged < moment} <= there
    assert there <= {one.id for one in writing.done if one.begun <= moment}
    upgrade(shop.url)  # and is worked with again
    again = Writing(shop.url)
    again.until(10)
    again.stop()
    assert len(cases(shop.url)) >= len(there) + 10


def test_with_the_archive_named_as_a_standby_no_acknowledged_write_is_lost_with_the_disk(shop: Shop) -> None:
    with archiver(shop.url, shop.archive):
        well(shop.url, "base", str(shop.archive))
        with psycopg.connect(shop.url, autocommit=True) as connection:
            connection.execute("ALTER SYSTEM SET synchronous_standby_names = 'lobedesk_archive'")
            connection.execute("SELECT pg_reload_conf()")
            until(lambda: connection.execute("SHOW synchronous_standby_names").fetchone() == ("lobedesk_archive",))
            synchronous = "SELECT 1 FROM pg_stat_replication WHERE sync_state = 'sync'"
            until(lambda: connection.execute(synchronous).fetchone() is not None)
        writing = Writing(shop.url)
        writing.until(200)
        shop.lose()
        writing.stop()

    well("", "to", str(shop.archive), str(shop.cluster))
    shop.postgres.start()

    assert {one.id for one in writing.done} <= cases(shop.url)
    assert len(writing.done) >= 200


def test_what_cannot_be_recovered_is_said_and_nothing_is_written_over(shop: Shop) -> None:
    long_ago, url = "2001-01-01 00:00:00Z", shop.url
    with archiver(url, shop.archive):
        well(url, "base", str(shop.archive))
        there = recovery("", "to", str(shop.archive), str(shop.cluster))
        early = recovery("", "to", str(shop.archive), str(shop.folder / "new"), long_ago)
        unread = recovery("", "to", str(shop.archive), str(shop.folder / "new"), "teatime or so")
        late = well("", "to", str(shop.archive), str(shop.folder / "late"), "2101-01-01")
    assert (there.returncode, "nothing is written over" in there.stderr) == (1, True)
    assert (early.returncode, "no base backup" in early.stderr) == (1, True)
    assert (unread.returncode, "cannot read" in unread.stderr) == (1, True)
    assert not (shop.folder / "new").exists()
    assert "2101-01-01" in late
    # a moment that the archive does not reach is not passed off as reached
    (shop.folder / "other").mkdir(mode=0o700)
    with pytest.raises(EmbeddedError, match="before configured recovery target was reached"):
        EmbeddedPostgres(shop.folder / "late", shop.folder / "other").start()


def test_old_base_backups_and_their_log_are_cleared_away(shop: Shop) -> None:
    with archiver(shop.url, shop.archive):
        for _ in range(3):
            well(shop.url, "base", str(shop.archive))
            with psycopg.connect(shop.url, autocommit=True) as connection:
                connection.execute("SELECT pg_switch_wal()")
                connection.execute("CREATE TABLE IF NOT EXISTS something (n integer)")
                connection.execute("INSERT INTO something VALUES (1)")
        before = {path.name for path in (shop.archive / "log").iterdir()}
        well("", "tidy", str(shop.archive), "1")
        writing = Writing(shop.url)
        writing.until(20)
        writing.stop()
        time.sleep(1.0)
        shop.lose()
    assert len(list(shop.archive.glob("base-*"))) == 1
    assert min(before) not in {path.name for path in (shop.archive / "log").iterdir()}
    well("", "to", str(shop.archive), str(shop.cluster))
    shop.postgres.start()
    assert {one.id for one in writing.done} <= cases(shop.url)
