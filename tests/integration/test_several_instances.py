"""Several instances over one Postgres and one Redis, behind a proxy: one killed under load, a key stopped in all."""

from __future__ import annotations

import os
import signal
import time
import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import psycopg
import pytest

from tests.instances import Instance, Stores, ask, own_stores

pytestmark = pytest.mark.long

SUBMISSION = {
    "source": "phone",
    "unit": "in",
    "instrument": "digital_caliper",
    "readings": [{"feature": "lobe_height", "lobe": "intake", "values": ["1.1725"]}],
}
INSTANCES = 3


@pytest.fixture
def stores() -> Iterator[Stores]:
    """Stores of this test's own, with the invented catalogue."""
    with own_stores() as stores:
        yield stores


def test_an_instance_and_a_worker_killed_under_load_lose_nothing_acknowledged(stores: Stores, tmp_path: Path) -> None:
    key = stores.make_key("admin")
    with ThreadPoolExecutor(INSTANCES) as starters:
        instances = list(
            starters.map(lambda number: Instance(tmp_path / f"instance{number}", stores.settings), range(INSTANCES))
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
            os.kill(instances[0].workers()[0], signal.SIGKILL)
            while len(acknowledged) < 40:
                time.sleep(0.01)
            instances[1].kill()
            alive.remove(instances[1])
            for each in deliveries:
                each.result()

        with psycopg.connect(stores.postgres.url()) as connection:
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
