"""Several instances over one Postgres and one Redis, behind a proxy: one killed under load, a key stopped in all."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import tempfile
import time
import urllib.error
import urllib.request
import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import psycopg
import pytest

from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.embedded.valkey import EmbeddedValkey
from tests.integration.test_serving import CATALOGUE, LOBEDESK, environment, lobedesk

pytestmark = pytest.mark.long

SUBMISSION = {
    "source": "phone",
    "unit": "in",
    "instrument": "digital_caliper",
    "readings": [{"feature": "lobe_height", "lobe": "intake", "values": ["1.1725"]}],
}
INSTANCES = 3


class Instance:
    """One `lobedesk serve` in a session of its own, on a port of its own."""

    def __init__(self, folder: Path, settings: dict[str, str]) -> None:
        folder.mkdir()
        with (folder / "log").open("wb") as log:
            self.process = subprocess.Popen(
                [*LOBEDESK, "serve", "--no-worker"],
                env=environment(**settings, LOBEDESK_DATA=str(folder / "data")),
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                start_new_session=True,
            )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line.startswith("lobedesk serves http://"), (folder / "log").read_text()
        self.url = line.split()[-1]
        assert urlsplit(self.url).port

    def kill(self) -> None:
        """End it and all its processes as the loss of its machine would."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.communicate(timeout=60)

    def worker(self) -> int:
        """A web worker of it: a child of the child that listens."""
        (master,) = children(self.process.pid)
        return children(master)[0]


def children(pid: int) -> list[int]:
    return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def ask(url: str, key: str, body: Any = None, once: str | None = None) -> tuple[int, Any]:
    headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/json"}
    if once is not None:
        headers["Idempotency-Key"] = once
    data = None if body is None else json.dumps(body).encode()
    try:
        with urllib.request.urlopen(urllib.request.Request(url, data, headers), timeout=20) as response:
            return response.status, json.load(response)
    except urllib.error.HTTPError as error:
        refused = error
    with refused:
        assert refused.code != 503 or refused.headers["Retry-After"]
        return refused.code, json.load(refused)


@pytest.fixture
def stores() -> Iterator[tuple[EmbeddedPostgres, dict[str, str]]]:
    """Stores of this test's own that keep what they acknowledge, with the invented catalogue."""
    folder = Path(tempfile.mkdtemp(prefix="lobedesk-several-"))
    (folder / "run").mkdir(mode=0o700)
    postgres = EmbeddedPostgres(folder / "postgres", folder / "run")
    postgres.start()
    valkey = EmbeddedValkey(folder / "run", folder / "valkey.log")
    valkey.start()
    settings = {
        "LOBEDESK_DATABASE_URL": postgres.url(),
        "LOBEDESK_REDIS_URL": valkey.url,
        "LOBEDESK_RATE_STAFF": "1000000/minute",
    }
    assert lobedesk("migrate", **settings).returncode == 0
    assert lobedesk("catalogue", "import", str(CATALOGUE), **settings).returncode == 0
    yield postgres, settings
    valkey.stop()
    postgres.stop()
    shutil.rmtree(folder)


def test_an_instance_and_a_worker_killed_under_load_lose_nothing_acknowledged(
    stores: tuple[EmbeddedPostgres, dict[str, str]], tmp_path: Path
) -> None:
    postgres, settings = stores
    made = lobedesk("keys", "create", "--role", "admin", "--name", "the owner", **settings)
    key = made.stdout.splitlines()[-1]
    with ThreadPoolExecutor(INSTANCES) as starters:
        instances = list(
            starters.map(lambda number: Instance(tmp_path / f"instance{number}", settings), range(INSTANCES))
        )
    alive = list(instances)
    acknowledged: dict[str, Any] = {}

    def deliver(number: int) -> None:
        """Send one submission until it is taken, to the next instance where one does not answer."""
        once, deadline = str(uuid.uuid4()), time.monotonic() + 120
        while True:
            assert time.monotonic() < deadline
            instance = alive[number % len(alive)]
            number += 1
            try:
                status, answer = ask(f"{instance.url}/v1/submissions", key, SUBMISSION, once)
            except (OSError, ConnectionError):
                continue
            if status == 201:
                acknowledged[once] = answer
                return
            assert status in (409, 503), answer  # 409: the same request is still being worked on
            time.sleep(0.05)

    try:
        with ThreadPoolExecutor(6) as callers:
            deliveries = [callers.submit(deliver, number) for number in range(90)]
            while len(acknowledged) < 15:
                time.sleep(0.01)
            os.kill(instances[0].worker(), signal.SIGKILL)
            while len(acknowledged) < 40:
                time.sleep(0.01)
            instances[1].kill()
            alive.remove(instances[1])
            for each in deliveries:
                each.result()

        with psycopg.connect(postgres.url()) as connection:
            assert connection.execute("SELECT count(*) FROM submissions").fetchone() == (90,)
        for answer in acknowledged.values():
            status, kept = ask(f"{instances[2].url}/v1/submissions/{answer['id']}", key)
            assert status == 200
            assert kept["candidates"] == answer["candidates"]

        _, desk = ask(f"{instances[0].url}/v1/keys", key, {"role": "desk", "name": "leaves"})
        assert ask(f"{instances[2].url}/v1/reviews", desk["key"])[0] == 200
        assert ask(f"{instances[0].url}/v1/keys/{desk['id']}/revocation", key, {})[0] == 200
        assert [ask(f"{one.url}/v1/reviews", desk["key"])[0] for one in alive] == [401] * len(alive)
    finally:
        for instance in alive:
            instance.kill()
