"""From the release before to this one while callers ask: the schema brought to head beside the old instances, then one
after the other replaced, an instance lost in between. Each is on an address of its own, behind a proxy."""

from __future__ import annotations

import io
import random
import subprocess
import tarfile
import threading
import time
import uuid
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
import pytest

from service.adapters.postgres.migrations import FOLDER, head_revision
from tests.addresses import Address, own_addresses
from tests.instances import CHECKOUT, LOBEDESK, Instance, Stores, ask, lobedesk, own_stores
from tests.proxy import Proxy, own_proxy

pytestmark = pytest.mark.long

INSTANCES = 3
CALLERS = 4
PEOPLE = 2
ANSWERED_BETWEEN = 25
"""Submissions acknowledged before the next thing happens."""

SQL = FOLDER.relative_to(CHECKOUT) / "sql"


def git(*arguments: str) -> bytes:
    """What git says in this checkout; skips the test where there is no git, or not so much of a history."""
    try:
        return subprocess.run(["git", *arguments], cwd=CHECKOUT, check=True, capture_output=True).stdout
    except (OSError, subprocess.CalledProcessError) as error:
        pytest.skip(f"the release before cannot be had: git {arguments[0]}: {error}")


@pytest.fixture(params=[1])
def before(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A checkout of the last commit whose schema is so many revisions behind."""
    added = git("log", "--format=%H", "--diff-filter=A", "--", f"{SQL}/*.sql").split()
    wanted = f"{int(head_revision()) - request.param:04}"
    for commit in (line.decode() for line in added):
        parent = f"{commit}^"
        names = git("ls-tree", "--name-only", parent, f"{SQL}/").decode()
        if max(Path(name).name[:4] for name in names.splitlines()) <= wanted:
            folder = tmp_path / "before"
            with tarfile.open(
                fileobj=io.BytesIO(git("archive", parent, "service", "fixtures", "pyproject.toml"))
            ) as old:
                old.extractall(folder, filter="data")
            return folder
    pytest.skip("the history does not reach back to another schema")


@pytest.fixture
def stores(before: Path) -> Iterator[Stores]:
    """Stores at the schema of the release before, with the invented catalogue."""
    with own_stores(checkout=before) as stores:
        yield stores


class Load:
    """Callers who send submissions, and people who claim and decide what waits, until told to stop.

    What came back other than what was asked for is counted in `refused`; `ask` sees that a 503 says when to come again.
    """

    def __init__(self, url: str, key: str) -> None:
        self._url, self._key = url, key
        self.acknowledged: dict[str, Any] = {}
        self.sent = 0
        self.decided: list[str] = []
        self.refused: Counter[tuple[str, int]] = Counter()
        self._stopped = threading.Event()
        self._lock = threading.Lock()
        self._work: list[Future[None]] = []

    @contextmanager
    def going_on(self) -> Iterator[None]:
        """Inside, they do; at the end everybody finishes what they are at."""
        with ThreadPoolExecutor(CALLERS + PEOPLE) as everybody:
            self._work = [everybody.submit(self._call, number) for number in range(CALLERS)]
            self._work += [everybody.submit(self._decide, f"person {number}") for number in range(PEOPLE)]
            try:
                yield
            finally:
                self._stopped.set()
            for each in self._work:
                each.result()

    def wait_for_more(self, count: int = ANSWERED_BETWEEN) -> None:
        """Wait until so many more submissions have been acknowledged; raises what made anybody end."""
        wanted, deadline = len(self.acknowledged) + count, time.monotonic() + 240
        while len(self.acknowledged) < wanted:
            for each in self._work:
                if each.done():
                    each.result()
            assert time.monotonic() < deadline, self.refused
            time.sleep(0.02)

    def _asked(self, path: str, body: Any, once: str | None, *wanted: int) -> tuple[int, Any]:
        """Ask until it is answered as it should be: 503 is tried again, and 409 where the same is still being done."""
        deadline = time.monotonic() + 120
        while True:
            assert time.monotonic() < deadline, (path, self.refused)
            status, answer = ask(f"{self._url}{path}", self._key, body, once, timeout_s=90)
            if status in wanted:
                return status, answer
            with self._lock:
                self.refused[path.split("/")[2], status] += 1
            assert status == 503 or (status == 409 and once is not None), (path, status, answer)
            time.sleep(0.1)

    def _call(self, number: int) -> None:
        chance = random.Random(number)
        while not self._stopped.is_set():
            once, height = str(uuid.uuid4()), f"1.{chance.randrange(1600, 1900)}"
            with self._lock:
                self.sent += 1
            _, answer = self._asked("/v1/submissions", submission(height), once, 201)
            with self._lock:
                self.acknowledged[once] = answer
                seen = chance.choice(list(self.acknowledged.values()))
            _, kept = self._asked(f"/v1/submissions/{seen['id']}", None, None, 200)
            assert kept["candidates"] == seen["candidates"]

    def _decide(self, person: str) -> None:
        while not self._stopped.is_set():
            status, review = self._asked("/v1/reviews/claim", {"person": person}, str(uuid.uuid4()), 200, 204)
            if status == 204:
                time.sleep(0.2)
                continue
            verdict = {"outcome": "cannot_tell", "confidence": "sure", "reason": "The nose is worn.", "person": person}
            self._asked(f"/v1/reviews/{review['id']}/decision", verdict, str(uuid.uuid4()), 200)
            with self._lock:
                self.decided.append(review["id"])


def submission(height: str) -> dict[str, Any]:
    return {
        "source": "phone",
        "unit": "in",
        "instrument": "digital_caliper",
        "readings": [{"feature": "lobe_height", "lobe": "intake", "values": [height]}],
        "ask_person": True,
    }


class Fleet:
    """The instances that run behind a proxy, each at an address of its own."""

    def __init__(self, stores: Stores, proxy: Proxy, folder: Path) -> None:
        self._stores, self._proxy, self._folder = stores, proxy, folder
        self._running: dict[Address, Instance] = {}

    def start(self, address: Address, checkout: Path) -> None:
        """Start a checkout's code at an address, and put it behind the proxy once it answers."""
        serve = (*address.before_command, *LOBEDESK, "serve")
        settings = self._stores.settings | address.settings
        instance = Instance(self._folder / f"{checkout.name}-{address.host}", settings, serve, checkout)
        self._running[address] = instance
        self._proxy.put_in(instance.url)

    def lose(self, address: Address) -> str:
        """Lose a machine, with what it was at; returns where it was."""
        address.lose()
        lost = self._running.pop(address)
        lost.kill()
        return lost.url

    def replace(self, address: Address) -> None:
        """Drain an instance, stop it in good order, and start this release in its place."""
        old = self._running.pop(address)
        self._proxy.take_out(old.url)
        old.stop()
        self.start(address, CHECKOUT)

    def kill(self) -> None:
        """End them all."""
        for instance in self._running.values():
            instance.kill()


def test_from_the_release_before_to_this_one_under_load_nothing_acknowledged_is_lost(
    stores: Stores, before: Path, tmp_path: Path
) -> None:
    key = stores.make_key("admin", before)
    with own_addresses(INSTANCES + 1) as addresses, own_proxy() as proxy:
        fleet, load = Fleet(stores, proxy, tmp_path), Load(proxy.url, key)
        try:
            with ThreadPoolExecutor(INSTANCES) as starters:
                list(starters.map(lambda address: fleet.start(address, before), addresses[:INSTANCES]))
            with load.going_on():
                upgrade_under(load, fleet, stores, addresses, proxy)
            everything_is_there(load, stores, proxy, key)
        finally:
            fleet.kill()
    where = "namespaces" if addresses[0].namespace else "loopback addresses"
    print(f"\n{where}: {load.sent} submissions, {len(load.decided)} decisions, tried again: {dict(load.refused)}")


def upgrade_under(load: Load, fleet: Fleet, stores: Stores, addresses: tuple[Address, ...], proxy: Proxy) -> None:
    load.wait_for_more()
    lost, *kept = addresses[:INSTANCES]
    gone = fleet.lose(lost)
    load.wait_for_more()
    assert gone not in proxy.instances

    # this release does not serve before the schema is there
    early = lobedesk("serve", **stores.settings | {"LOBEDESK_HTTP_PORT": "0"})
    assert early.returncode != 0
    assert "lobedesk migrate" in early.stderr
    migrated = lobedesk("migrate", **stores.settings)
    assert migrated.returncode == 0, migrated.stderr
    load.wait_for_more()

    fleet.start(addresses[INSTANCES], CHECKOUT)  # beside the old ones
    load.wait_for_more()
    for address in kept:
        fleet.replace(address)
        load.wait_for_more()


def everything_is_there(load: Load, stores: Stores, proxy: Proxy, key: str) -> None:
    ids = [answer["id"] for answer in load.acknowledged.values()]
    assert len(ids) == load.sent
    with psycopg.connect(stores.postgres.url()) as connection:
        found = [str(row[0]) for row in connection.execute("SELECT id FROM submissions")]
        decided = Counter(str(row[0]) for row in connection.execute("SELECT review_id FROM decisions"))
    assert sorted(found) == sorted(ids)
    assert decided == Counter(load.decided)
    for answer in load.acknowledged.values():
        status, now = ask(f"{proxy.url}/v1/submissions/{answer['id']}", key)
        assert status == 200
        assert now["candidates"] == answer["candidates"]
        assert now["state"] == answer["state"]
