"""The link to Redis: a server that is there, refuses, hangs, and comes back."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.adapters.embedded.valkey import EmbeddedValkey
from service.adapters.redis_link import Breaker, RedisAway, RedisLink


class Clock:
    """A clock that stands still until it is moved on."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def server(short_folder: Path, request: pytest.FixtureRequest) -> Iterator[EmbeddedValkey]:
    """A server of this test's own."""
    folder = short_folder / f"cache-{abs(hash(request.node.nodeid)) % 10**8}"
    folder.mkdir(mode=0o700)
    server = EmbeddedValkey(folder, folder / "log")
    server.start()
    yield server
    server.stop()


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def link(server: EmbeddedValkey, clock: Clock) -> Iterator[RedisLink]:
    link = RedisLink(server.url, Breaker(failures=2, off=2.0, clock=clock))
    yield link
    link.close()


def test_what_was_put_is_got(link: RedisLink) -> None:
    link.call(lambda client: client.set("a", b"1"))
    assert link.call(lambda client: client.get("a")) == b"1"
    assert link.answers()


def test_a_server_that_is_gone_is_left_alone_after_two_failures_and_found_again(
    link: RedisLink, server: EmbeddedValkey, clock: Clock
) -> None:
    attempts = 0

    def ping(client: object) -> None:
        nonlocal attempts
        attempts += 1
        client.ping()  # type: ignore[attr-defined]

    server.stop()
    for _ in range(5):
        with pytest.raises(RedisAway):
            link.call(ping)
    assert attempts == 2
    server.start()
    assert not link.answers()  # not asked yet
    clock.now += 2.0
    assert link.answers()
    link.call(ping)
    assert attempts == 3


def test_a_server_that_hangs_is_given_up_on_and_found_again(
    link: RedisLink, server: EmbeddedValkey, clock: Clock
) -> None:
    pid = link.call(lambda client: client.info("server"))["process_id"]
    os.kill(pid, signal.SIGSTOP)
    try:
        for _ in range(3):
            assert not link.answers()
    finally:
        os.kill(pid, signal.SIGCONT)
    clock.now += 2.0
    assert link.answers()


def test_while_the_breaker_is_open_one_attempt_at_a_time_goes_through(clock: Clock) -> None:
    breaker = Breaker(failures=1, off=2.0, clock=clock)
    assert breaker.admits()
    breaker.failed()
    assert not breaker.admits()
    clock.now += 2.0
    assert [breaker.admits() for _ in range(3)] == [True, False, False]
    breaker.failed()
    clock.now += 1.9
    assert not breaker.admits()
    clock.now += 0.1
    assert breaker.admits()
    breaker.succeeded()
    assert [breaker.admits() for _ in range(3)] == [True, True, True]


def test_a_success_in_between_keeps_the_breaker_shut(clock: Clock) -> None:
    breaker = Breaker(failures=2, off=2.0, clock=clock)
    for _ in range(5):
        breaker.failed()
        breaker.succeeded()
        assert breaker.admits()
