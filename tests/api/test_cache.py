"""Answers worked out before come from Redis; without Redis everything is as good, and slower."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any

import orjson
import pytest
import redis
from flask import Flask

from service.adapters.postgres.pool import PostgresStores
from service.app import EXTENSION, close_app, create_app
from service.catalogue_files import read_json
from service.domain.access import Role
from service.settings import Settings
from service.web.api.submissions.schemas import SubmissionSchema
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.keys import create_key
from tests.api.conftest import FIXTURES, PLENTY, Caller

Json = dict[str, Any]

VOLATILE = {"id", "reference", "opened_at", "answered_at", "submission", "catalogue_revision"}


class Own:
    """An application of this test's own, over an empty Redis."""

    def __init__(self, settings: Settings) -> None:
        self.settings, self.imported = settings, 0
        self.app: Flask = create_app(settings)
        self.stores: PostgresStores = self.app.extensions[EXTENSION].desk.stores
        self.caller = Caller(self.app, create_key(self.stores, Role.DESK, "the cache's tests"))

    def counted(self, outcome: str) -> int:
        """How many answers came from the cache (`hit`), or did not (`miss`)."""
        text = self.caller.get("/metrics").get_data(as_text=True)
        lines = [line for line in text.splitlines() if line.startswith(f'lobedesk_cache_total{{outcome="{outcome}"}}')]
        return int(float(lines[0].split()[-1])) if lines else 0

    def import_again(self) -> None:
        """Make the catalogue, which differs in a title each time, a new revision."""
        self.imported += 1
        catalogue = read_json((FIXTURES / "catalogue.json").read_bytes())
        first = replace(catalogue.parts[0], title=f"Title {self.imported}")
        whole = replace(catalogue, parts=(first, *catalogue.parts[1:]))
        import_catalogue(self.stores, whole, who="tests", why="again")


@pytest.fixture
def own(database_url: str, redis_url: str) -> Iterator[Own]:
    settings = Settings(database_url=database_url, redis_url=redis_url, rate_staff=PLENTY)
    own = Own(settings)
    own.import_again()
    yield own
    close_app(own.app)


def same(answer: Json) -> Json:
    """What two answers to the same readings have in common."""
    return {name: value for name, value in answer.items() if name not in VOLATILE}


def test_the_same_readings_are_answered_from_the_cache(own: Own, scant: Json) -> None:
    first, second = own.caller.submit(scant), own.caller.submit(scant)

    assert (own.counted("miss"), own.counted("hit")) == (1, 1)
    assert same(first) == same(second)
    assert first["id"] != second["id"]


def test_who_asks_and_what_they_note_is_no_part_of_the_key(own: Own, scant: Json) -> None:
    own.caller.submit(scant)
    own.caller.submit(scant | {"note": "in a hurry", "contact": {"name": "A. Caller"}, "ask_person": True})

    assert own.counted("hit") == 1


@pytest.mark.parametrize(
    "change",
    [
        {"condition": "new"},
        {"experience": "practised"},
        {"counts": {"gear_teeth": 28}},
        {"engine_family": "Orrinvale 3"},
        {"instrument": "dial_caliper"},
        {"readings": [{"feature": "journal_diameter", "position": "front", "values": ["0.750"]}]},
        {"readings": [{"feature": "journal_diameter", "position": "rear", "values": ["0.7500"]}]},
    ],
    ids=["condition", "experience", "teeth", "family", "tool", "a zero less", "position"],
)
def test_whatever_the_engine_uses_is_part_of_the_key(own: Own, scant: Json, change: Json) -> None:
    own.caller.submit(scant)
    own.caller.submit(scant | change)

    assert own.counted("hit") == 0


def test_an_answer_with_markings_and_one_without_are_two(own: Own, scant: Json) -> None:
    marked = scant | {"markings": [{"place": "gear", "text": "R4"}]}
    other = scant | {"markings": [{"place": "end", "text": "Q9"}]}

    without = own.caller.submit(scant)
    answers = [own.caller.submit(marked), own.caller.submit(other)]

    assert (own.counted("miss"), own.counted("hit")) == (2, 1)
    assert "marking_not_evidence" not in {advice["code"] for advice in without["advice"]}
    for answer in answers:
        assert "marking_not_evidence" in {advice["code"] for advice in answer["advice"]}


def test_nothing_a_customer_said_lies_in_redis(own: Own, scant: Json) -> None:
    own.caller.submit(
        scant
        | {
            "note": "POISON",
            "contact": {"name": "POISON"},
            "markings": [{"place": "gear", "text": "POISON"}],
        }
    )

    with redis.Redis.from_url(own.settings.redis_url or "") as client:
        names = list(client.scan_iter("*"))
        texts = [client.get(name) for name in names if name.startswith(b"lobedesk:answer:")]
    assert texts
    assert not any(b"POISON" in name for name in names)
    assert not any(b"POISON" in (text or b"") for text in texts)


def test_a_new_catalogue_revision_is_answered_anew(own: Own, scant: Json) -> None:
    first = own.caller.submit(scant)
    own.import_again()
    other = create_app(own.settings)  # a process that has not looked at the catalogue yet
    second = Caller(other, create_key(own.stores, Role.DESK, "later")).submit(scant)
    close_app(other)

    assert second["catalogue_revision"] == first["catalogue_revision"] + 1
    assert same(first) == same(second)


def test_a_revision_that_has_another_s_number_is_not_answered_from_its_cache(own: Own, scant: Json) -> None:
    # a backup was brought back, and the next import has the number that another had before
    own.caller.submit(scant)
    answering = own.app.extensions[EXTENSION].desk.answering
    snapshot = answering.snapshot.now(own.stores)
    later = replace(snapshot, made_at=snapshot.made_at + timedelta(days=1))
    submission = SubmissionSchema().load(scant)
    assert answering.cache_key(snapshot, submission) != answering.cache_key(later, submission)


def test_another_deployment_s_losses_are_not_answered_from_this_one_s_cache(own: Own, scant: Json) -> None:
    own.caller.submit(scant)
    other = Own(replace(own.settings, loss_wrong_answer=7.0))
    other.caller.submit(scant)
    hits = other.counted("hit")
    close_app(other.app)

    assert hits == 0


@pytest.mark.parametrize("left", [b"", b"not json", b"[]", b"{}", b'{"state": "asleep"}', b"\xff\x00"])
def test_what_another_release_left_in_the_cache_is_worked_out_again(own: Own, scant: Json, left: bytes) -> None:
    first = own.caller.submit(scant)
    with redis.Redis.from_url(own.settings.redis_url or "") as client:
        (name,) = client.scan_iter("lobedesk:answer:*")
        client.set(name, left)
        second = own.caller.submit(scant)
        mended = client.get(name)

    assert same(first) == same(second)
    assert isinstance(orjson.loads(mended or b""), dict)


def test_without_redis_answers_are_the_same_and_readiness_says_so(own: Own, scant: Json) -> None:
    with_redis = own.caller.submit(scant)
    without = Own(replace(own.settings, redis_url="unix:///nowhere/at/all.sock"))

    answers = [without.caller.submit(scant) for _ in range(3)]
    ready = without.caller.get("/readyz")
    close_app(without.app)

    assert all(same(answer) == same(with_redis) for answer in answers)
    assert ready.status_code == 200
    assert ready.get_json()["parts"]["redis"].startswith("degraded")
    assert ready.get_json()["ready"] is True
