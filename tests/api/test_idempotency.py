"""A write that may be sent twice happens once: after a crash, at the same time, under one key and under two."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import psycopg
import pytest
from flask import Flask

from service.adapters.sealing import new_key
from service.app import EXTENSION, close_app, create_app
from service.domain.access import Role
from service.settings import Settings, environment_for
from service.workflows.keys import create_key, digest_of
from tests.api.conftest import Caller

Json = dict[str, Any]


def opened(app: Flask) -> int:
    """How many submissions there are."""
    with app.extensions[EXTENSION].pool.connection() as connection:
        row = connection.execute("SELECT count(*) AS n FROM submissions").fetchone()
    assert row is not None
    return int(row["n"])


def test_a_write_sent_twice_happens_once_and_is_answered_the_same(app: Flask, desk: Caller, scant: Json) -> None:
    before = opened(app)

    first = desk.post("/v1/submissions", scant, Idempotency_Key="twice")
    second = desk.post("/v1/submissions", scant, Idempotency_Key="twice")

    assert opened(app) == before + 1
    assert (second.status_code, second.data) == (first.status_code, first.data) == (201, first.data)
    assert second.headers["Location"] == first.headers["Location"]
    assert second.headers["ETag"] == first.headers["ETag"]
    assert second.headers["Idempotency-Replayed"] == "true"
    assert "Idempotency-Replayed" not in first.headers


def test_an_addition_sent_twice_is_one_round(desk: Caller, scant: Json) -> None:
    path = f"/v1/submissions/{desk.submit(scant)['id']}"

    for _ in range(2):
        desk.post(f"{path}/readings", {"readings": scant["readings"]}, Idempotency_Key="add-twice")

    assert desk.get(path).get_json()["round"] == 2


def test_a_key_that_came_with_another_body_is_refused(desk: Caller, scant: Json) -> None:
    desk.post("/v1/submissions", scant, Idempotency_Key="reused")

    other = desk.post("/v1/submissions", scant | {"source": "phone"}, Idempotency_Key="reused")

    assert other.status_code == 422
    assert "another request" in other.get_json()["detail"]


def test_a_key_that_came_to_another_route_is_refused(desk: Caller, scant: Json) -> None:
    first = desk.submit(scant, Idempotency_Key="roaming")

    other = desk.post(f"/v1/submissions/{first['id']}/readings", scant, Idempotency_Key="roaming")

    assert other.status_code == 422


def test_two_callers_may_choose_the_same_key(app: Flask, desk: Caller, widget: Caller, scant: Json) -> None:
    ids = {caller.submit(scant, Idempotency_Key="chosen-by-both")["id"] for caller in (desk, widget)}

    assert len(ids) == 2


def test_a_refused_write_may_be_put_right_under_the_same_key(desk: Caller, scant: Json) -> None:
    refused = desk.post("/v1/submissions", scant | {"unit": "cm"}, Idempotency_Key="put-right")
    taken = desk.post("/v1/submissions", scant, Idempotency_Key="put-right")

    assert (refused.status_code, taken.status_code) == (422, 201)


@pytest.mark.parametrize("key", ["", "x" * 201, "with space", "tab\there", "umlaut-\u00fc"])
def test_a_key_of_no_use_is_refused(desk: Caller, scant: Json, key: str) -> None:
    response = desk.send("POST", "/v1/submissions", json=scant, headers={"Idempotency-Key": key})

    assert response.status_code == 422
    (fault,) = response.get_json()["errors"]
    assert (fault["pointer"], fault["in"]) == ("/Idempotency-Key", "header")


def test_the_same_request_while_it_is_being_answered_is_a_conflict(
    app: Flask, keys: dict[Role, str], desk: Caller, scant: Json
) -> None:
    """Another transaction holds the key, as a request still at work does."""
    stores = app.extensions[EXTENSION].desk.stores
    with stores.transaction() as transaction:
        # in a transaction of its own: it may note when the key was last used, which would keep the request out
        record = transaction.keys.find(digest_of(keys[Role.DESK]))
    assert record is not None
    with stores.transaction() as transaction:
        assert transaction.idempotency.claim(record.id, "at-work")
        during = desk.post("/v1/submissions", scant, Idempotency_Key="at-work")
    after = desk.post("/v1/submissions", scant, Idempotency_Key="at-work")

    assert (during.status_code, during.get_json()["code"]) == (409, "conflict")
    assert after.status_code == 201


def test_of_many_at_once_one_is_done(app: Flask, keys: dict[Role, str], scant: Json) -> None:
    before = opened(app)
    gate = threading.Barrier(3)

    def send(_: int) -> tuple[int, bytes]:
        caller = Caller(app, keys[Role.DESK])
        gate.wait()
        response = caller.post("/v1/submissions", scant, Idempotency_Key="all-at-once")
        return response.status_code, response.data

    with ThreadPoolExecutor(3) as pool:
        replies = list(pool.map(send, range(3)))

    assert opened(app) == before + 1
    assert {status for status, _ in replies} <= {201, 409}
    assert len({body for status, body in replies if status == 201}) == 1


def test_a_kept_reply_is_forgotten_when_its_time_is_over(api_settings: Settings, scant: Json) -> None:
    app = create_app(replace(api_settings, idempotency_ttl=60))
    caller = Caller(app, create_key(app.extensions[EXTENSION].desk.stores, Role.DESK, "forgetful"))
    first = caller.submit(scant, Idempotency_Key="old")
    with app.extensions[EXTENSION].pool.connection() as connection:
        connection.execute("UPDATE idempotent_replies SET kept_at = now() - interval '2 minutes'")

    second = caller.submit(scant, Idempotency_Key="old")
    close_app(app)

    assert second["id"] != first["id"]


CRASHING = """
import json, os, signal, sys
from service.app import EXTENSION, create_app
from service.adapters.postgres.idempotency_store import IdempotencyStore
from service.settings import read_settings
from service.workflows.identifying import answering
from tests.api.conftest import Caller

def die(*_, **__):
    os.kill(os.getpid(), signal.SIGKILL)
if sys.argv[3] == "during":
    answering.identify = die

keep = IdempotencyStore.keep
def keep_and_die(self, *args):
    keep(self, *args)
    if sys.argv[3] == "before":
        os.kill(os.getpid(), signal.SIGKILL)
IdempotencyStore.keep = keep_and_die

app = create_app(read_settings())
caller = Caller(app, sys.argv[1])
caller.post("/v1/submissions", json.loads(sys.argv[2]), Idempotency_Key="crash-" + sys.argv[3])
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_secret_shown_once_lies_sealed_in_the_reply_that_is_kept_for_a_retry(
    api_settings: Settings, database: psycopg.Connection[Any]
) -> None:
    app = create_app(replace(api_settings, secrets_key=new_key()))
    key = create_key(app.extensions[EXTENSION].desk.stores, Role.ADMIN, "the owner")
    admin = Caller(app, key)
    address = {"url": "https://store.example/hook", "topics": ["letter.issued"]}
    made, again = (admin.post("/v1/webhooks", address, Idempotency_Key="a-hook") for _ in range(2))
    path = f"{made.headers['Location']}/secret"
    renewed = [admin.post(path, Idempotency_Key="another") for _ in range(2)]
    close_app(app)

    assert again.data == made.data
    assert renewed[0].data == renewed[1].data
    shown = [reply.get_json()["secret"].removeprefix("whsec_").encode() for reply in (made, renewed[0])]
    kept = [bytes(row[0]) for row in database.execute("SELECT body FROM idempotent_replies")]
    assert not [body for body in kept for secret in shown if secret in body]

    # With the key gone the reply cannot be opened; the work is not done a second time.
    other = create_app(replace(api_settings, secrets_key=new_key()))
    lost = Caller(other, key).post("/v1/webhooks", address, Idempotency_Key="a-hook")
    close_app(other)
    assert lost.status_code == 409
    assert "Idempotency-Key" in lost.get_json()["detail"]


@pytest.mark.parametrize("moment", ["during", "before", "after"])
def test_a_crash_leaves_all_of_a_write_or_nothing(
    app: Flask, api_settings: Settings, keys: dict[Role, str], desk: Caller, scant: Json, moment: str
) -> None:
    """A process is killed while the answer is worked out, just before its transaction commits, or after that and before
    it has answered."""
    before = opened(app)
    if moment == "during":
        scant = scant | {"readings": [{"feature": "lobe_height", "lobe": "intake", "values": ["1.1234"]}]}
    died = subprocess.run(
        [sys.executable, "-c", CRASHING, keys[Role.DESK], json.dumps(scant), moment],
        cwd=Path(__file__).parents[2],
        env=environment_for(api_settings),
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert died.returncode == -signal.SIGKILL, died.stderr.decode()
    # A killed client's transaction is rolled back when Postgres notices; until then its key is held.
    while True:
        retried = desk.post("/v1/submissions", scant, Idempotency_Key=f"crash-{moment}")
        if retried.status_code != 409:
            break
        time.sleep(0.05)

    assert retried.status_code == 201
    assert opened(app) == before + 1
    assert ("Idempotency-Replayed" in retried.headers) == (moment == "after")
