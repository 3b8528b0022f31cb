"""Several processes' worth of desks answer while revisions come and go: every answer is one revision's, and whole."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest

from service.adapters.postgres.pool import PostgresStores, open_pool
from service.catalogue_files import read_json
from service.domain.catalogue import Catalogue
from service.domain.identification import Identification
from service.identification.answer.losses import DEFAULT_LOSSES
from service.identification.catalogue_table.table import build_table
from service.identification.engine import identify
from service.identification.measuring.model import DEFAULT_MODEL
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.catalogue.revisions import restore_revision
from service.workflows.identifying.answering import Answering
from service.workflows.identifying.snapshot import CatalogueSnapshot
from tests.catalogues import catalogue, part, plain_lobe
from tests.submissions import CALIPER, base, height, journal, submission

READINGS = submission(journal("0.7500"), height("1.1725"), base("0.8605"), instrument=CALIPER)


class NoCache:
    def get(self, key: str) -> Identification | None:
        return None

    def put(self, key: str, identification: Identification) -> None:
        pass


class Unmetered:
    def answered(self, state: Any, from_cache: bool, seconds: float) -> None:
        pass


def revision_of(lifts: tuple[str, ...]) -> Catalogue:
    """A catalogue whose parts carry these lifts."""
    return read_json(
        catalogue(parts=[part(part_number=f"P-{lift}", lobes={"intake": plain_lobe(lift)}) for lift in lifts])
    )


CATALOGUES = {
    1: revision_of(("0.3080", "0.3130", "0.3180")),
    2: revision_of(("0.3100", "0.3150")),
    3: revision_of(("0.3080", "0.3120", "0.3160", "0.3200")),
}


@pytest.fixture
def desks(database_url: str) -> Iterator[list[tuple[PostgresStores, Answering]]]:
    """Two processes' worth: each with its own pool, its own snapshot, and the thread that keeps it fresh."""
    with open_pool(database_url, 6) as one, open_pool(database_url, 6) as other:
        made = [
            (PostgresStores(pool), Answering(NoCache(), Unmetered(), snapshot=CatalogueSnapshot(0.05)))
            for pool in (one, other)
        ]
        import_catalogue(made[0][0], CATALOGUES[1], who="tests", why="the first")
        for stores, answering in made:
            answering.snapshot.keep_fresh(stores)
        yield made
        for _, answering in made:
            answering.snapshot.stop()


def test_every_answer_is_that_of_the_revision_it_names(desks: list[tuple[PostgresStores, Answering]]) -> None:
    answers: list[tuple[int, Identification]] = []
    failures: list[BaseException] = []
    stop = threading.Event()

    def ask(stores: PostgresStores, answering: Answering) -> None:
        try:
            while not stop.is_set():
                answered = answering.now(stores, READINGS)
                answers.append((answered.catalogue_revision, answered.identification))
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=ask, args=desk) for desk in desks for _ in range(2)]
    for thread in threads:
        thread.start()
    stores = desks[0][0]
    for number in (1, 2, 3, 4):
        if number in (2, 3):
            import_catalogue(stores, CATALOGUES[number], who="tests", why="another")
        elif number == 4:
            with stores.transaction() as transaction:
                assert restore_revision(transaction, 1, who="tests", why="back").number == 4
        wait_for_all(desks, number)
        seen = len(answers)
        for _ in itertools.count():
            if len(answers) >= seen + 20 or failures:
                break
            time.sleep(0.02)
    stop.set()
    for thread in threads:
        thread.join()
    assert failures == []
    assert {revision for revision, _ in answers} == {1, 2, 3, 4}
    expected = {
        number: identify(build_table(whole, DEFAULT_MODEL), READINGS, DEFAULT_MODEL, DEFAULT_LOSSES)
        for number, whole in (CATALOGUES | {4: CATALOGUES[1]}).items()
    }
    for revision, identification in answers:
        found = [(c.part_number, c.probability) for c in identification.candidates]
        assert found == [(c.part_number, c.probability) for c in expected[revision].candidates]


def wait_for_all(desks: list[tuple[PostgresStores, Answering]], revision: int) -> None:
    """Until every desk answers from a revision; they turn to it without being asked anything."""
    deadline = time.monotonic() + 60
    for stores, answering in desks:
        while time.monotonic() < deadline:
            if answering.snapshot.now(stores).revision == revision:
                break
            time.sleep(0.01)
        else:
            pytest.fail(f"a desk never turned to revision {revision}")


def revision_held(snapshot: CatalogueSnapshot) -> int | None:
    return None if snapshot.held is None else snapshot.held.revision


def test_a_desk_turns_to_a_new_revision_without_being_asked(desks: list[tuple[PostgresStores, Answering]]) -> None:
    stores = desks[1][0]
    wait_for_all(desks, 1)
    import_catalogue(stores, CATALOGUES[2], who="tests", why="another")
    deadline = time.monotonic() + 60
    while any(revision_held(answering.snapshot) != 2 for _, answering in desks):
        assert time.monotonic() < deadline
        time.sleep(0.01)


def test_a_desk_without_a_catalogue_waits_for_the_first(database_url: str) -> None:
    with open_pool(database_url) as pool:
        stores, snapshot = PostgresStores(pool), CatalogueSnapshot(0.02)
        snapshot.keep_fresh(stores)
        assert snapshot.held is None
        import_catalogue(stores, CATALOGUES[1], who="tests", why="the first")
        deadline = time.monotonic() + 60
        while revision_held(snapshot) != 1:
            assert time.monotonic() < deadline
            time.sleep(0.01)
        snapshot.stop()


def test_what_was_read_before_a_fork_is_answered_from_only_while_it_is_active(database_url: str) -> None:
    with open_pool(database_url) as pool:
        stores, snapshot = PostgresStores(pool), CatalogueSnapshot(60)
        for revision in (1, 2):
            import_catalogue(stores, CATALOGUES[revision], who="tests", why="")
            snapshot.keep_fresh(stores)
            assert snapshot.now(stores).revision == revision
            snapshot.keep_fresh(stores)
            assert revision_held(snapshot) == revision
        snapshot.stop()
