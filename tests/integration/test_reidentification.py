"""Open and recent cases asked again when the catalogue changes, on a real database, with workers that are killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from uuid import UUID

import psycopg
import pytest

from service.adapters.answer_cache import NoCache
from service.adapters.metrics import Metrics
from service.adapters.postgres.pool import PostgresStores
from service.catalogue_files import read_json
from service.domain.access import Role
from service.domain.casework import DEFAULT_RULES
from service.domain.catalogue import Catalogue
from service.domain.identification import AnswerState
from service.domain.readings import Submission
from service.domain.review import ReviewReason
from service.workflows.cases.reidentify import list_changes, progress_of, reidentify
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.identifying.answering import Answering
from service.workflows.identifying.at_hand import AtHand, with_answers
from service.workflows.identifying.identify import Addition, add_to_submission, hold_submission, open_submission
from service.workflows.identifying.snapshot import CatalogueSnapshot
from service.workflows.keys import authenticate, create_key
from service.workflows.ports.stores import Case, KeyRecord
from tests.api.conftest import as_url
from tests.catalogues import catalogue, part, plain_lobe
from tests.submissions import MICROMETER, base, height, journal, submission

RULES = replace(DEFAULT_RULES, second_look_share=0.0)
ROOT = Path(__file__).parents[2]


def of_lifts(**lifts: str) -> Catalogue:
    """A catalogue of one core, with a part for each lift."""
    parts = [part(part_number=name, lobes={"intake": plain_lobe(lift)}) for name, lift in lifts.items()]
    return read_json(catalogue(parts=parts))


FIRST = of_lifts(A="0.2900", B="0.3130", C="0.3400")
RENAMED = of_lifts(A="0.2900", B2="0.3130", C="0.3400")
RENAMED_AND_MORE = of_lifts(A="0.2900", B2="0.3130", C="0.3400", D="0.4200")
SAME = of_lifts(A="0.2900", B="0.3130", C="0.3400", D="0.4200")


def reads(lift: str) -> Submission:
    """Careful readings of a shaft of that lift."""
    high = f"{0.8610 + float(lift):.4f}"
    sizes = [height(high), height(high), base("0.8610"), base("0.8610")]
    return submission(journal("0.7500"), *sizes, instrument=MICROMETER)


class Desk:
    """Somebody who opens cases, and the worker's way of asking them again."""

    def __init__(self, stores: PostgresStores) -> None:
        self.stores = stores
        self.key: KeyRecord = authenticate(stores, create_key(stores, Role.DESK, "the desk"))
        self.answering = Answering(NoCache(), Metrics(None), snapshot=CatalogueSnapshot(0.0))

    def publish(self, whole: Catalogue) -> None:
        import_catalogue(self.stores, whole, who="tests", why="another")

    def open(self, lift: str) -> UUID:
        def work(at_hand: AtHand) -> UUID:
            with self.stores.transaction() as transaction:
                return open_submission(transaction, at_hand, self.key, reads(lift), RULES).id

        return with_answers(self.stores, self.answering, work)

    def add(self, case_id: UUID, answering: Answering) -> None:
        def work(at_hand: AtHand) -> None:
            with self.stores.transaction() as transaction:
                held = hold_submission(transaction, self.key, case_id)
                add_to_submission(transaction, at_hand, self.key, held, Addition(readings=(base("0.8610"),)), RULES)

        with_answers(self.stores, answering, work)

    def case(self, case_id: UUID) -> Case:
        with self.stores.transaction() as transaction:
            case = transaction.submissions.find(case_id)
        assert case is not None
        return case

    def again(self, most: int = 1000) -> int:
        left = iter(range(most))
        return reidentify(self.stores, self.answering, RULES, lambda: next(left, None) is not None, settle_s=0.0)


@pytest.fixture
def desk(stores: PostgresStores) -> Desk:
    """A desk with the first catalogue, under which nothing has been asked yet."""
    desk = Desk(stores)
    desk.publish(FIRST)
    assert desk.again() == 0
    return desk


def test_a_changed_answer_is_kept_beside_the_old_one_and_put_before_a_person(desk: Desk) -> None:
    told, untouched = desk.open("0.3130"), desk.open("0.2900")
    assert desk.case(told).latest.identification.state is AnswerState.IDENTIFIED
    desk.publish(RENAMED)
    assert desk.again() == 2
    case = desk.case(told)
    assert (case.latest.number, case.latest.catalogue_revision) == (2, 2)
    assert case.latest.identification.candidates[0].part_number == "B2"
    assert case.review is not None
    assert case.review.reason is ReviewReason.ANSWER_CHANGED
    with desk.stores.transaction() as transaction:
        rounds = transaction.submissions.rounds(told)
        assert transaction.outbox.page(None, None, None, 10) == ()
    assert [(r.catalogue_revision, r.identification.candidates[0].part_number) for r in rounds] == [(1, "B"), (2, "B2")]
    assert (desk.case(untouched).latest.number, desk.case(untouched).review) == (1, None)
    [change], end = list_changes(desk.stores, 2, None, 10)
    assert (change.submission_id, change.before.part_number, change.after.part_number) == (told, "B", "B2")
    assert (change.told_otherwise, change.review_id, end) == (True, case.review.id, None)
    progress = progress_of(desk.stores, None)
    assert (progress.state, progress.done, progress.changed, progress.remaining) == ("finished", 2, 1, 0)


def test_a_second_run_changes_nothing(desk: Desk) -> None:
    case_id = desk.open("0.3130")
    desk.publish(RENAMED)
    assert (desk.again(), desk.again()) == (1, 0)
    desk.publish(RENAMED)  # which is active already: no revision is made, and nobody is asked
    assert desk.again() == 0
    desk.publish(RENAMED_AND_MORE)
    assert desk.again() == 1
    assert desk.case(case_id).latest.number == 2
    assert progress_of(desk.stores, 3).changed == 0


def test_another_worker_goes_on_where_the_first_stopped(desk: Desk) -> None:
    cases = [desk.open("0.3130") for _ in range(4)]
    desk.publish(RENAMED)
    assert desk.again(most=2) == 2
    progress = progress_of(desk.stores, 2)
    assert (progress.state, progress.done, progress.remaining) == ("running", 2, 2)
    assert [desk.case(case_id).latest.number for case_id in cases] == [2, 2, 1, 1]
    assert Desk(desk.stores).again() == 2
    assert [desk.case(case_id).latest.number for case_id in cases] == [2, 2, 2, 2]


def test_a_case_answered_under_the_new_revision_already_is_left_alone(desk: Desk) -> None:
    case_id = desk.open("0.3130")
    desk.publish(RENAMED)
    desk.add(case_id, desk.answering)
    assert desk.again() == 1
    assert desk.case(case_id).latest.number == 2
    assert list_changes(desk.stores, 2, None, 10) == ((), None)


def test_an_answer_of_a_process_that_had_not_turned_yet_is_not_left_to_stand(desk: Desk) -> None:
    behind = Answering(NoCache(), Metrics(None), snapshot=CatalogueSnapshot(3600.0))
    same, other = desk.open("0.2900"), desk.open("0.3130")
    assert behind.snapshot.now(desk.stores).revision == 1
    desk.publish(RENAMED)
    assert desk.again(most=2) == 2
    desk.add(same, behind)
    assert desk.case(same).latest.catalogue_revision == 1
    assert desk.again() == 1
    assert (desk.case(same).latest.number, desk.case(same).latest.catalogue_revision) == (3, 2)
    # a case that was answered under the new revision is never answered under an older one again
    assert desk.case(other).latest.catalogue_revision == 2
    desk.add(other, behind)
    assert desk.case(other).latest.catalogue_revision == 2
    assert progress_of(desk.stores, 2).state == "finished"


def test_closed_cases_are_asked_while_they_are_recent_and_opened_where_told_otherwise(
    desk: Desk, database_url: str
) -> None:
    recent, old = desk.open("0.3130"), desk.open("0.3130")
    with psycopg.connect(database_url) as connection:
        connection.execute("UPDATE submissions SET closed_at = now(), closed_why = 'answered'")
        connection.execute("UPDATE submissions SET changed_at = now() - interval '90 days' WHERE id = %s", [old])
    desk.publish(RENAMED)
    assert desk.again() == 1
    assert desk.case(recent).closed_at is None
    assert (desk.case(old).latest.number, desk.case(old).closed_at is None) == (1, False)


def test_a_case_that_was_withdrawn_is_not_asked_again(desk: Desk, database_url: str) -> None:
    withdrawn = desk.open("0.3130")
    with psycopg.connect(database_url) as connection:
        connection.execute("UPDATE submissions SET closed_at = now(), closed_why = 'withdrawn'")
    desk.publish(RENAMED)
    assert desk.again() == 0
    assert desk.case(withdrawn).closed_at is not None


def test_a_newer_revision_overtakes_a_run(desk: Desk) -> None:
    case_id = desk.open("0.3130")
    desk.publish(RENAMED)
    desk.publish(SAME)
    assert progress_of(desk.stores, 2).state == "overtaken"
    assert desk.again() == 1
    assert (progress_of(desk.stores, 3).state, desk.case(case_id).latest.number) == ("finished", 1)


def test_a_run_waits_for_processes_that_may_still_answer_under_the_old_revision(desk: Desk) -> None:
    desk.publish(RENAMED)
    assert reidentify(desk.stores, desk.answering, RULES) == 0
    assert progress_of(desk.stores, 2).state == "running"


def worker(database_url: str, folder: Path) -> subprocess.Popen[bytes]:
    """A real worker over this database."""
    settings = {"LOBEDESK_DATABASE_URL": as_url(database_url), "LOBEDESK_DATA": str(folder)}
    command = [sys.executable, "-m", "service.cli", "worker"]
    with (folder / "log").open("ab") as out:
        return subprocess.Popen(command, cwd=ROOT, env=os.environ | settings, stdout=out, stderr=out)


def wait_for(desk: Desk, done: int) -> None:
    deadline = time.monotonic() + 90
    while progress_of(desk.stores, 2).done < done:
        assert time.monotonic() < deadline, "no worker dealt with the cases"
        time.sleep(0.02)


def test_a_killed_worker_loses_and_repeats_nothing(desk: Desk, database_url: str, tmp_path: Path) -> None:
    cases = [desk.open("0.3130") for _ in range(24)]
    desk.publish(RENAMED)
    first = worker(database_url, tmp_path)
    try:
        wait_for(desk, 5)
    finally:
        first.send_signal(signal.SIGKILL)
        first.wait()
    reached = progress_of(desk.stores, 2)
    assert reached.done >= 5
    assert reached.done == reached.changed
    # The lost job is put back a minute after its worker was last heard of; the run itself can be gone on with at once.
    rest = desk.again()
    assert reached.done + rest == len(cases)
    assert all(desk.case(case_id).latest.number == 2 for case_id in cases)
    assert progress_of(desk.stores, 2).state == "finished"
    with psycopg.connect(database_url) as connection:
        counts = connection.execute("SELECT count(*), count(DISTINCT submission_id) FROM reviews").fetchone()
    assert counts == (24, 24)
