"""Answers are worked out while no transaction is open; what is written rests on the case as it stands then."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from types import FrameType
from typing import Any
from uuid import UUID

import psycopg
import pytest
from flask import Flask

from service.adapters.answer_cache import NoCache
from service.adapters.postgres.pool import PostgresStores, open_pool
from service.app import EXTENSION, close_app, create_app
from service.catalogue_files import read_json
from service.catalogue_files.checked import checked
from service.catalogue_files.faults import FaultList, json_pointer
from service.domain.access import Role
from service.domain.casework import DEFAULT_RULES
from service.domain.errors import Conflict, InvalidInput
from service.domain.identification import Identification
from service.domain.readings import Instrument, Reading
from service.identification.answer.losses import DEFAULT_LOSSES
from service.identification.catalogue_table.table import build_table
from service.identification.engine import identify
from service.identification.learning.calibration import calibrate
from service.identification.look_alikes.look_alike_map import Kit, look_alikes
from service.settings import Settings
from service.workflows.catalogue.drafts import keep_draft, ready_draft
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.catalogue.look_alike_maps import LookAlikeMap, map_look_alikes
from service.workflows.identifying.answer_again import answer_again
from service.workflows.identifying.answering import Answering
from service.workflows.identifying.at_hand import AtHand, with_answers
from service.workflows.identifying.identify import Addition, add_to_submission, hold_submission, open_submission
from service.workflows.identifying.preview import preview
from service.workflows.identifying.snapshot import CatalogueSnapshot
from service.workflows.keys import authenticate, create_key
from service.workflows.learning.calibrate import propose
from service.workflows.ports.stores import Case, KeyRecord
from tests.api.conftest import FIXTURES, PLENTY, Caller, as_url
from tests.catalogues import catalogue, part, plain_lobe
from tests.submissions import CALIPER, base, height, journal, submission

READ = submission(journal("0.7500"), height("1.1725"), instrument=CALIPER)
FIRST = read_json(catalogue(parts=[part(part_number="A", lobes={"intake": plain_lobe("0.3130")})]))
SECOND = read_json(catalogue(parts=[part(part_number="B", lobes={"intake": plain_lobe("0.3130")})]))

LOBES = [(cylinder, lobe) for cylinder in (1, 2, 3, 4) for lobe in ("intake", "exhaust")]
TOOLS = ["digital_caliper", "dial_caliper", "vernier_caliper", "outside_micrometer"]
ABSURD: dict[str, Any] = {
    "source": "phone",
    "unit": "in",
    "readings": [
        {"feature": "lobe_height", "lobe": lobe, "cylinder": cylinder, "instrument": tool}
        | {"values": [f"{1 + 0.03 * ((7 * place + 3 * cylinder) % 11):.4f}"]}
        for place, tool in enumerate(TOOLS)
        for cylinder, lobe in LOBES
    ][:20]
    + [
        {"feature": "valve_event", "event": event, "checking_lift": "0.050", "at": "valve", "values": [degrees]}
        for event, degrees in zip(
            ("intake_opens", "intake_closes", "exhaust_opens", "exhaust_closes"), ("10", "40", "45", "8"), strict=True
        )
    ],
}
"""Lobes of which no two agree, with four tools, and valve events: more work than any caller asks for."""


class Watched(NoCache):
    """A cache that keeps nothing, and calls `look` just before and just after every identification."""

    def __init__(self, look: Callable[[], None]) -> None:
        self._look = look

    def get(self, key: str) -> Identification | None:
        self._look()
        return None

    def put(self, key: str, identification: Identification) -> None:
        self._look()


class Uncounted:
    def answered(self, state: Any, from_cache: bool, seconds: float) -> None:
        pass


class Desk:
    """A process's worth of desk over this database, that calls `look` around every identification."""

    def __init__(self, stores: PostgresStores, url: str) -> None:
        self.stores, self.url = stores, url
        self.look: Callable[[], None] = lambda: None
        self.snapshot = CatalogueSnapshot(recheck_seconds=0.0)
        self.answering = Answering(Watched(lambda: self.look()), Uncounted(), snapshot=self.snapshot)
        import_catalogue(stores, FIRST, who="tests", why="")
        self.key: KeyRecord = authenticate(stores, create_key(stores, Role.DESK, "the desk"))

    def open(self) -> Case:
        def work(at_hand: AtHand) -> Case:
            with self.stores.transaction() as transaction:
                return open_submission(transaction, at_hand, self.key, READ, DEFAULT_RULES)

        return with_answers(self.stores, self.answering, work)

    def add(self, case_id: UUID, *readings: Reading) -> Case:
        def work(at_hand: AtHand) -> Case:
            with self.stores.transaction() as transaction:
                held = hold_submission(transaction, self.key, case_id)
                return add_to_submission(transaction, at_hand, self.key, held, Addition(readings), DEFAULT_RULES)

        return with_answers(self.stores, self.answering, work)


@pytest.fixture
def desk(stores: PostgresStores, database_url: str) -> Desk:
    return Desk(stores, database_url)


@pytest.fixture
def open_transactions(database_url: str) -> Iterator[Callable[[], int]]:
    """How many sessions on this database, beside the one that asks, have a transaction open."""
    with psycopg.connect(database_url, autocommit=True) as connection:

        def count() -> int:
            row = connection.execute(
                "SELECT count(*) FROM pg_stat_activity"
                " WHERE datname = current_database() AND pid <> pg_backend_pid() AND xact_start IS NOT NULL"
            ).fetchone()
            assert row is not None
            return int(row[0])

        yield count


def test_no_transaction_is_open_while_an_answer_is_worked_out(desk: Desk, open_transactions: Callable[[], int]) -> None:
    seen: list[int] = []
    desk.look = lambda: seen.append(open_transactions())
    case = desk.open()
    desk.add(case.id, base("0.8605"))
    preview(desk.stores, desk.answering, READ)

    assert seen == [0] * 6


def test_the_case_s_place_in_the_database_is_free_meanwhile(desk: Desk, database_url: str) -> None:
    case = desk.open()

    def take() -> None:
        with psycopg.connect(database_url) as connection:
            connection.execute("SELECT 1 FROM submissions WHERE id = %s FOR UPDATE NOWAIT", [case.id])

    desk.look = take
    assert desk.add(case.id, base("0.8605")).latest.number == 2


def test_of_two_additions_at_once_none_is_lost_and_the_answer_is_to_all_readings(desk: Desk) -> None:
    case = desk.open()
    both_have_read_it = threading.Barrier(2)
    looks = threading.local()

    def look() -> None:
        looks.n = getattr(looks, "n", 0) + 1
        if looks.n == 1:
            both_have_read_it.wait(timeout=30)

    desk.look = look
    with ThreadPoolExecutor(2) as callers:
        added = list(callers.map(lambda reading: desk.add(case.id, reading), (base("0.8605"), base("0.8610"))))

    desk.look = lambda: None
    with desk.stores.transaction() as transaction:
        last = transaction.submissions.find(case.id)
        rounds = transaction.submissions.rounds(case.id)
    assert last is not None
    assert sorted(one.latest.number for one in added) == [2, 3]
    assert [one.readings for one in rounds] == [2, 3, 4]
    assert set(last.submission.readings) == {*READ.readings, base("0.8605"), base("0.8610")}
    assert last.latest.identification == desk.answering.now(desk.stores, last.submission).identification


def test_an_answer_is_of_the_revision_that_is_active_when_it_is_written(desk: Desk) -> None:
    """The catalogue changes, and this process turns to it, while the answer is worked out."""
    looks = iter(range(100))

    def look() -> None:
        if next(looks) == 1:
            import_catalogue(desk.stores, SECOND, who="tests", why="")
            desk.snapshot.now(desk.stores)

    desk.look = look
    latest = desk.open().latest

    assert (latest.catalogue_revision, latest.identification.candidates[0].part_number) == (2, "B")


def test_a_case_that_never_stands_still_is_given_up_with_nothing_kept(desk: Desk) -> None:
    case = desk.open()
    busy = False

    def look() -> None:
        nonlocal busy
        if not busy:
            busy = True
            desk.add(case.id, journal("0.7501"))
            busy = False

    desk.look = look
    with pytest.raises(Conflict, match="faster than it can be answered"):
        desk.add(case.id, base("0.8605"))
    with desk.stores.transaction() as transaction:
        last = transaction.submissions.find(case.id)
    assert last is not None
    assert base("0.8605") not in last.submission.readings


# -- what else is worked out ---------------------------------------------------------------------------------------


@contextmanager
def watched(look: Callable[[], object], *functions: Callable[..., object]) -> Iterator[list[object]]:
    """What `look` says each time one of these is called, and each time it comes back, on this thread."""
    seen: list[object] = []
    codes = {function.__code__ for function in functions}  # type: ignore[attr-defined]

    def profile(frame: FrameType, event: str, _: object) -> None:
        if event in ("call", "return") and frame.f_code in codes:
            seen.append(look())

    sys.setprofile(profile)
    try:
        yield seen
    finally:
        sys.setprofile(None)


def test_no_transaction_is_open_while_a_catalogue_and_its_look_alikes_are_worked_out(
    desk: Desk, open_transactions: Callable[[], int]
) -> None:
    finer = Kit(frozenset({Instrument.OUTSIDE_MICROMETER}))
    with desk.stores.transaction() as transaction:
        draft = keep_draft(transaction, desk.key, "second", checked(SECOND, FaultList(json_pointer)))

    with watched(open_transactions, build_table, look_alikes) as seen:
        import_catalogue(desk.stores, SECOND, who="tests", why="")
        ready = ready_draft(desk.stores, draft.id)
        LookAlikeMap(desk.snapshot).of(desk.stores, 1, finer)
        LookAlikeMap(desk.snapshot).of(desk.stores, 2, finer)
        with psycopg.connect(desk.url) as connection:
            connection.execute("DELETE FROM look_alike_maps")
        assert map_look_alikes(desk.stores, CatalogueSnapshot()) == 1

    assert ready is not None
    # a revision that is active is read as it is kept; an import works all out in a thread of its own, beside storing
    assert seen == [0] * 2 * (2 + 2 + 1 + 1)


def test_no_transaction_is_open_while_a_case_is_answered_again(
    desk: Desk, open_transactions: Callable[[], int]
) -> None:
    case = desk.open()

    with watched(open_transactions, build_table, identify) as seen:
        both = answer_again(desk.stores, case.id, DEFAULT_LOSSES)

    assert both.again == case.latest.identification
    assert seen == [0] * 4


def test_no_transaction_is_open_while_constants_are_refitted(desk: Desk, open_transactions: Callable[[], int]) -> None:
    with watched(open_transactions, build_table, calibrate) as seen, pytest.raises(InvalidInput, match="a fit needs"):
        propose(desk.stores)

    assert seen == [0] * 4


# -- over HTTP ----------------------------------------------------------------------------------------------------


@pytest.fixture
def app(database_url: str, redis_url: str) -> Iterator[Flask]:
    with open_pool(database_url) as pool:
        import_catalogue(
            PostgresStores(pool), read_json((FIXTURES / "catalogue.json").read_bytes()), who="tests", why="invented"
        )
    settings = Settings(database_url=as_url(database_url), redis_url=redis_url, rate_widget=PLENTY, rate_staff=PLENTY)
    app = create_app(replace(settings, threads=4))
    yield app
    close_app(app)


@pytest.fixture
def caller(app: Flask) -> Caller:
    return Caller(app, create_key(app.extensions[EXTENSION].desk.stores, Role.DESK, "the desk"))


def test_much_work_holds_no_session_in_a_transaction(app: Flask, caller: Caller, database_url: str) -> None:
    worst, over = 0.0, threading.Event()

    def watch() -> None:
        nonlocal worst
        with psycopg.connect(database_url, autocommit=True) as connection:
            while not over.wait(0.01):
                row = connection.execute(
                    "SELECT coalesce(max(extract(epoch FROM clock_timestamp() - xact_start)), 0) FROM pg_stat_activity"
                    " WHERE datname = current_database() AND pid <> pg_backend_pid()"
                    " AND backend_type = 'client backend'"
                ).fetchone()
                assert row is not None
                worst = max(worst, float(row[0]))

    watcher = threading.Thread(target=watch)
    watcher.start()
    started = time.perf_counter()
    caller.submit(ABSURD, Idempotency_Key="absurd")
    took = time.perf_counter() - started
    over.set()
    watcher.join()
    assert worst < took / 4, f"a transaction was open for {worst:.2f} s of {took:.2f} s"


def test_additions_with_the_same_etag_at_once_are_one_addition_and_one_refusal(caller: Caller, app: Flask) -> None:
    base_circle = {"readings": [{"feature": "base_circle", "lobe": "intake", "values": ["0.8605"]}]}
    high = {"feature": "lobe_height", "lobe": "intake", "values": ["1.1725"]}
    said = {"source": "phone", "unit": "in", "readings": [high]}
    for _ in range(5):
        first = caller.post("/v1/submissions", said)
        path, etag = f"{first.headers['Location']}/readings", first.headers["ETag"]
        start = threading.Barrier(2)

        def add(_: int, path: str = path, etag: str = etag, start: threading.Barrier = start) -> int:
            start.wait()
            return caller.post(path, base_circle, If_Match=etag).status_code

        with ThreadPoolExecutor(2) as callers:
            assert sorted(callers.map(add, range(2))) == [200, 412]
        assert caller.get(first.headers["Location"]).get_json()["round"] == 2
