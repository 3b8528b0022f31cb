"""What the desk has done for it by the clock: callers reminded once and then closed, old data forgotten."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import Any
from uuid import UUID

import psycopg
import pytest

from service.adapters.jobs import Chore, make_job_app, run_worker
from service.adapters.postgres.pool import PostgresStores
from service.domain.access import Role
from service.domain.casework import DEFAULT_RULES, ClosedWhy, Retention
from service.domain.identification import AnswerState
from service.domain.mail_in import DEFAULT_PATIENCE
from service.domain.readings import Contact
from service.domain.supplier import Supplier
from service.serving.worker import asking_again, chores_of
from service.settings import Settings
from service.workflows.bench.mail_ins import announce
from service.workflows.cases.half_done import close_half_done, remind_half_done
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.keys import authenticate, create_key
from service.workflows.ports.stores import Case, KeyRecord
from service.workflows.privacy import forget_by_age
from service.workflows.sending.letters import Stationery
from tests.integration.stored_examples import ANSWER, SUBMISSION
from tests.integration.test_catalogue_store import invented

ASKED = replace(ANSWER, state=AnswerState.MORE_READINGS_NEEDED)
MAILING = Stationery(Supplier("Invented Cams"), sends_mail=True)
FOR_GOOD = Retention(0, 0, 0, 0, 0)


@pytest.fixture
def key(stores: PostgresStores) -> KeyRecord:
    """A desk's key, over a database with the invented catalogue."""
    import_catalogue(stores, invented(), who="tests", why="")
    return authenticate(stores, create_key(stores, Role.DESK, "front desk"))


def asked(stores: PostgresStores, key: KeyRecord, **said: Any) -> UUID:
    """A case whose caller was asked for a reading."""
    with stores.transaction() as transaction:
        return transaction.submissions.open(key.id, replace(SUBMISSION, **said), ASKED, 1).id


def days_pass(database: psycopg.Connection[Any], days: int) -> None:
    """As if everything had happened so many days earlier."""
    database.execute(
        "UPDATE submissions SET changed_at = changed_at - make_interval(days => %(days)s),"
        " reminded_at = reminded_at - make_interval(days => %(days)s)",
        {"days": days},
    )


def case_of(stores: PostgresStores, case_id: UUID) -> Case:
    with stores.transaction() as transaction:
        case = transaction.submissions.find(case_id)
    assert case is not None
    return case


def letters_of(database: psycopg.Connection[Any]) -> list[tuple[UUID, str]]:
    return database.execute(
        "SELECT submission_id, recipient FROM outbox_messages WHERE channel = 'email' ORDER BY made_at"
    ).fetchall()


def test_a_caller_who_was_asked_for_a_reading_is_reminded_once_and_then_the_case_is_closed(
    stores: PostgresStores, key: KeyRecord, database: psycopg.Connection[Any]
) -> None:
    case_id = asked(stores, key)
    assert remind_half_done(stores, MAILING, DEFAULT_RULES) == 0

    days_pass(database, DEFAULT_RULES.remind_days + 1)
    assert remind_half_done(stores, MAILING, DEFAULT_RULES) == 1
    assert remind_half_done(stores, MAILING, DEFAULT_RULES) == 0
    assert letters_of(database) == [(case_id, "caller@shop.example")]
    assert close_half_done(stores, DEFAULT_RULES) == 0

    days_pass(database, DEFAULT_RULES.close_days + 1)
    assert remind_half_done(stores, MAILING, DEFAULT_RULES) == 0
    assert close_half_done(stores, DEFAULT_RULES) == 1
    assert case_of(stores, case_id).closed_why is ClosedWhy.NO_REPLY
    assert len(letters_of(database)) == 1


def test_who_comes_back_after_the_reminder_is_not_closed(
    stores: PostgresStores, key: KeyRecord, database: psycopg.Connection[Any]
) -> None:
    case_id = asked(stores, key)
    days_pass(database, DEFAULT_RULES.remind_days + 1)
    remind_half_done(stores, MAILING, DEFAULT_RULES)
    days_pass(database, DEFAULT_RULES.close_days + 1)
    with stores.transaction() as transaction:
        case = transaction.submissions.find(case_id, for_update=True)
        assert case is not None
        transaction.submissions.add_round(case, (), case.submission, ASKED, 1)

    assert close_half_done(stores, DEFAULT_RULES) == 0
    assert case_of(stores, case_id).closed_at is None


@pytest.mark.parametrize(
    ("contact", "stationery"),
    [(None, MAILING), (Contact("A. Caller", None, "555 0100"), MAILING), (SUBMISSION.contact, Stationery(Supplier()))],
)
def test_who_cannot_be_written_to_is_noted_once_and_the_case_closed_in_its_time(
    stores: PostgresStores,
    key: KeyRecord,
    database: psycopg.Connection[Any],
    contact: Contact | None,
    stationery: Stationery,
) -> None:
    case_id = asked(stores, key, contact=contact)
    days_pass(database, DEFAULT_RULES.remind_days + 1)

    assert remind_half_done(stores, stationery, DEFAULT_RULES) == 1
    assert letters_of(database) == []
    with stores.transaction() as transaction:
        (entry,) = transaction.trail.page(case_id, None, 10)
    assert (entry.action, entry.details) == ("caller_reminded", {"written": False})


def test_a_case_that_waits_for_a_person_is_not_the_caller_s_to_finish(
    stores: PostgresStores, key: KeyRecord, database: psycopg.Connection[Any]
) -> None:
    case_id = asked(stores, key)
    with stores.transaction() as transaction:
        from service.domain.review import ReviewReason
        from service.workflows.identifying.identify import new_review

        reason = ReviewReason.PERSON_ASKED_FOR
        transaction.reviews.open(new_review(case_id, SUBMISSION, reason, DEFAULT_RULES, skill=None))
    days_pass(database, 100)

    assert remind_half_done(stores, MAILING, DEFAULT_RULES) == 0
    assert close_half_done(stores, DEFAULT_RULES) == 0


def test_each_kind_of_thing_is_forgotten_in_its_own_time(
    stores: PostgresStores, key: KeyRecord, database: psycopg.Connection[Any]
) -> None:
    case_id = asked(stores, key)
    with stores.transaction() as transaction:
        transaction.cases.note(case_id, "Spoke to him.", key.id, key.name)
    days_pass(database, 40)
    database.execute("UPDATE case_notes SET written_at = written_at - interval '40 days'")

    assert forget_by_age(stores, FOR_GOOD) == 0
    assert forget_by_age(stores, Retention(41, 41, 41, 41)) == 0
    assert case_of(stores, case_id).submission == SUBMISSION

    assert forget_by_age(stores, Retention(39, 0, 0, 0)) == 1
    kept = case_of(stores, case_id).submission
    assert (kept.contact, kept.note, kept.markings) == (None, None, SUBMISSION.markings)
    assert forget_by_age(stores, Retention(0, 39, 0, 0)) == 1
    assert case_of(stores, case_id).submission.markings == ()
    assert forget_by_age(stores, Retention(0, 0, 39, 0)) == 1
    with stores.transaction() as transaction:
        assert transaction.cases.notes(case_id) == ()
    assert forget_by_age(stores, Retention(0, 0, 0, 39)) == 1
    with stores.transaction() as transaction:
        assert transaction.submissions.find(case_id) is None
        actions = [entry.action for entry in transaction.trail.page(case_id, None, 10)]
    assert actions == ["case_deleted", "markings_forgotten", "contact_forgotten"]


def test_photos_are_forgotten_in_their_own_time(
    stores: PostgresStores, key: KeyRecord, database: psycopg.Connection[Any]
) -> None:
    case_id = asked(stores, key)
    database.execute(
        "INSERT INTO photos (id, submission_id, width, height, image, key_id, added_by, added_at)"
        " VALUES (gen_random_uuid(), %s, 8, 8, 'x', %s, 'bench', now() - interval '40 days')",
        [case_id, key.id],
    )

    assert forget_by_age(stores, replace(FOR_GOOD, photos_days=41)) == 0
    assert forget_by_age(stores, replace(FOR_GOOD, photos_days=39)) == 1
    assert database.execute("SELECT count(*) FROM photos").fetchone() == (0,)


def test_posted_shafts_are_forgotten_in_their_time_with_a_case_and_without(
    stores: PostgresStores, key: KeyRecord, database: psycopg.Connection[Any]
) -> None:
    case_id = asked(stores, key)
    said = {"unit": None, "contact": Contact(email="a@b.example"), "send_back_to": ("3 Invented Lane",), "note": "Hm."}
    with stores.transaction() as transaction:
        alone, of_a_case = (
            announce(transaction, key, DEFAULT_PATIENCE, submission_id=each, **said) for each in (None, case_id)
        )
    days_pass(database, 40)
    database.execute("UPDATE mail_ins SET state_since = now() - interval '40 days'")
    assert forget_by_age(stores, replace(FOR_GOOD, contact_days=41)) == 0

    database.execute('UPDATE submissions SET changed_at = now(), head = head || \'{"contact": null, "note": null}\'')
    assert forget_by_age(stores, replace(FOR_GOOD, contact_days=39)) == 1  # the case of the other is alive
    days_pass(database, 40)
    assert forget_by_age(stores, replace(FOR_GOOD, contact_days=39)) == 1
    with stores.transaction() as transaction:
        for shaft in (alone, of_a_case):
            kept = transaction.mail_ins.find(shaft.id)
            assert kept is not None
            assert (kept.contact, kept.send_back_to, kept.note) == (None, (), None)

    database.execute("UPDATE mail_ins SET state = 'withdrawn', due_at = NULL, state_since = now() - interval '40 days'")
    assert forget_by_age(stores, replace(FOR_GOOD, cases_days=39)) == 3  # the case, and then both shafts
    assert database.execute("SELECT count(*) FROM mail_in_events").fetchone() == (0,)


def test_more_than_one_transaction_s_worth_is_forgotten_in_one_go(
    stores: PostgresStores, key: KeyRecord, database: psycopg.Connection[Any]
) -> None:
    for _ in range(120):
        asked(stores, key)
    days_pass(database, 40)

    assert forget_by_age(stores, Retention(39, 0, 0, 0)) == 120
    assert forget_by_age(stores, Retention(39, 0, 0, 0)) == 0


def test_the_worker_does_the_desk_s_chores(stores: PostgresStores, key: KeyRecord, database_url: str) -> None:
    settings = Settings(database_url=database_url)
    chores, again = chores_of(stores, settings), asking_again(stores, settings)
    done: list[str] = []

    def noting(chore: Chore) -> Chore:
        def do() -> int:
            done.append(chore.name)
            return chore.do()

        return replace(chore, do=do)

    async def defer() -> None:
        app = make_job_app(database_url, lambda: 0, None, chores)
        async with app.open_async():
            for chore in chores:
                await app.configure_task(chore.name).defer_async(timestamp=0)

    asyncio.run(defer())
    run_worker(database_url, lambda: 0, None, tuple(noting(chore) for chore in chores), again, until_idle=True)

    assert {"put_back_lapsed", "remind_half_done", "close_half_done", "forget_by_age"} <= set(done)
    with psycopg.connect(database_url) as connection:
        left = connection.execute("SELECT count(*) FROM procrastinate_jobs WHERE status = 'failed'").fetchone()
    assert left == (0,)
