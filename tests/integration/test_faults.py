"""What a client gets while Postgres or Redis fails, and that nothing is lost, doubled or wrong afterwards.

Over servers of these tests' own, which are stopped, filled up and stalled. The way of each: something fails, the answer
is right or 503 with Retry-After, the fault goes away, and the desk answers as it did before.
"""

from __future__ import annotations

import os
import signal
import socketserver
import threading
import time
import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import psycopg
import pytest
import redis

from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.embedded.valkey import EmbeddedValkey
from service.app import close_app, create_app
from tests.instances import children
from tests.integration.own_desk import Own, asks_to_come_back, fill, gist, open_desk


@contextmanager
def frozen(own: Own) -> Iterator[None]:
    """Inside, no process of Postgres moves; its socket goes on taking connections."""
    pid = own.postgres.pid
    assert pid is not None
    os.kill(pid, signal.SIGSTOP)
    stopped = [pid, *children(pid)]
    for each in stopped:
        os.kill(each, signal.SIGSTOP)
    try:
        yield
    finally:
        for each in stopped:
            # what the first to go on has ended meanwhile is not there any more
            with suppress(ProcessLookupError):
                os.kill(each, signal.SIGCONT)


@pytest.fixture(scope="module")
def own(short_folder: Path) -> Iterator[Own]:
    folder = short_folder / "faults"
    (folder / "run").mkdir(mode=0o700, parents=True)
    postgres = EmbeddedPostgres(folder / "postgres", folder / "run", durable=False)
    postgres.start()
    valkey = EmbeddedValkey(folder / "run", folder / "valkey.log")
    valkey.start()
    fill(postgres)
    with open_desk(postgres, valkey, statement_timeout=1.0, lock_timeout=0.3) as own:
        yield own
    valkey.stop()
    postgres.stop()


@pytest.fixture
def usual(own: Own) -> Iterator[Any]:
    """What the desk answers, and answers again when the fault is over."""
    before = gist(own.until_taken(str(uuid.uuid4())))
    yield before
    assert gist(own.until_taken(str(uuid.uuid4()))) == before


def test_a_restart_of_postgres_under_load_loses_and_doubles_nothing(own: Own, usual: Any) -> None:
    before = own.count()
    wanted = [str(uuid.uuid4()) for _ in range(24)]
    with ThreadPoolExecutor(4) as callers:
        taken = [callers.submit(own.until_taken, once) for once in wanted]
        while not taken[2].done():
            time.sleep(0.01)
        own.postgres.stop()
        asks_to_come_back(own.submit())
        own.postgres.start()
        answers = [each.result() for each in taken]

    assert own.count() - before == len({answer["id"] for answer in answers}) == len(wanted)
    for answer in answers:
        assert gist(own.read(answer["id"]).get_json()) == usual


def test_a_postgres_that_takes_no_writes_is_said_to_be_away_and_nothing_is_written(own: Own, usual: Any) -> None:
    before = own.count()
    with own.database() as connection:
        connection.execute("ALTER SYSTEM SET default_transaction_read_only = on")
        connection.execute("SELECT pg_reload_conf()")
        deadline = time.monotonic() + 20
        while (response := own.submit()).status_code == 201:
            before += 1
            assert time.monotonic() < deadline
        asks_to_come_back(response)
        assert own.count() == before
        connection.execute("SET default_transaction_read_only = off")
        connection.execute("ALTER SYSTEM RESET default_transaction_read_only")
        connection.execute("SELECT pg_reload_conf()")


def test_a_postgres_without_a_connection_to_spare_is_said_to_be_away(own: Own, usual: Any) -> None:
    before = own.count()
    deadline, refused = time.monotonic() + 30, False
    while not refused:
        assert time.monotonic() < deadline
        with ExitStack() as held:
            take_every_connection(own, held)
            late = replace(own, app=create_app(own.settings))
            held.callback(close_app, late.app)
            response = late.submit()
            # a session that was closed just before makes room a moment later, and then this one is taken
            refused = response.status_code != 201
            before += not refused
    asks_to_come_back(response)
    assert own.count() == before


def take_every_connection(own: Own, held: ExitStack) -> None:
    refused = ""
    while not refused:
        try:
            held.enter_context(closing(own.database()))
        except psycopg.OperationalError as error:
            refused = str(error)
    assert "too many clients" in refused


def test_what_waits_too_long_for_a_lock_is_given_up_whole(own: Own, usual: Any) -> None:
    before = own.count()
    with own.database() as connection, connection.transaction():
        connection.execute("LOCK TABLE submissions IN ACCESS EXCLUSIVE MODE")
        asks_to_come_back(own.submit())
    assert own.count() == before


def test_a_postgres_that_takes_connections_and_says_nothing_is_given_up_in_time(own: Own, usual: Any) -> None:
    before = own.count()
    once = str(uuid.uuid4())
    with frozen(own):
        for longest_s in (8.0, 6.0):  # on a connection that was there, and with none to be had
            started = time.monotonic()
            asks_to_come_back(own.submit(once))
            assert time.monotonic() - started < longest_s
    own.until_taken(once)
    own.until_taken(once)
    assert own.count() == before + 1


@pytest.mark.long
def test_a_postgres_that_falls_silent_under_load_loses_and_doubles_nothing(own: Own, usual: Any) -> None:
    before = own.count()
    wanted = [str(uuid.uuid4()) for _ in range(16)]
    with ThreadPoolExecutor(4) as callers:
        taken = [callers.submit(own.until_taken, once) for once in wanted]
        while not taken[2].done():
            time.sleep(0.01)
        with frozen(own):
            time.sleep(4)
        answers = [each.result() for each in taken]

    assert own.count() - before == len({answer["id"] for answer in answers}) == len(wanted)
    for answer in answers:
        assert gist(own.read(answer["id"]).get_json()) == usual


def test_a_flushed_cache_and_a_full_one_change_no_answer(own: Own, usual: Any) -> None:
    with redis.Redis.from_url(own.valkey.url) as client:
        client.flushall()
        assert gist(own.submit().get_json()) == usual
        client.flushall()
        client.config_set("maxmemory-policy", "noeviction")
        client.config_set("maxmemory", "1")
        assert gist(own.submit().get_json()) == usual
        client.config_set("maxmemory", "64mb")
        client.config_set("maxmemory-policy", "allkeys-lru")


def test_values_of_another_kind_under_every_key_change_no_answer(own: Own, usual: Any) -> None:
    with redis.Redis.from_url(own.valkey.url) as client:
        for key in client.keys("*"):
            client.delete(key)
            client.rpush(key, "nobody", "put this here")
        assert gist(own.submit().get_json()) == usual
        client.flushall()


def test_a_cache_that_hangs_and_one_that_is_gone_change_no_answer(own: Own, usual: Any) -> None:
    with redis.Redis.from_url(own.valkey.url) as client:
        pid = client.info("server")["process_id"]
    os.kill(pid, signal.SIGSTOP)
    try:
        assert gist(own.submit().get_json()) == usual
    finally:
        os.kill(pid, signal.SIGCONT)
    own.valkey.stop()
    assert gist(own.submit().get_json()) == usual
    own.valkey.start()


class _Babbler(socketserver.StreamRequestHandler):
    """Answers whatever is asked, with what is no Redis protocol or the wrong kind of value."""

    replies: tuple[bytes, ...] = ()

    def handle(self) -> None:
        while self.rfile.readline():
            for reply in self.replies:
                try:
                    self.wfile.write(reply)
                except OSError:
                    return


@pytest.mark.parametrize("reply", [b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\xff\xfe\r\n", b":7\r\n", b"$5\r\nhello\r\n"])
def test_something_else_on_redis_s_port_changes_no_answer(own: Own, usual: Any, reply: bytes) -> None:
    handler = type("Handler", (_Babbler,), {"replies": (reply,)})
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), handler) as server:
        server.daemon_threads = True
        thread = threading.Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        app = create_app(replace(own.settings, redis_url=f"redis://127.0.0.1:{server.server_address[1]}"))
        try:
            response = replace(own, app=app).submit()
            assert response.status_code == 201, response.get_data(as_text=True)
            assert gist(response.get_json()) == usual
        finally:
            close_app(app)
            server.shutdown()
            thread.join()
