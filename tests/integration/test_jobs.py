"""The job worker, on a real database."""

from __future__ import annotations

import asyncio
from functools import partial

import psycopg

from service.adapters.jobs import make_job_app, run_worker
from service.adapters.postgres.pool import PostgresStores
from service.domain.access import Role
from service.workflows.housekeeping import forget_old_replies
from service.workflows.keys import authenticate, create_key
from service.workflows.ports.stores import KeptReply, Reply

DAY_S = 86_400


def keep_replies(stores: PostgresStores, database_url: str, count: int, aged_s: int) -> None:
    """Keep some replies, as if they had been kept so many seconds ago."""
    key = authenticate(stores, create_key(stores, Role.DESK, f"aged {aged_s}"))
    with stores.transaction() as transaction:
        for number in range(count):
            transaction.idempotency.keep(key.id, f"{aged_s}-{number}", KeptReply(bytes(32), Reply(201, (), b"{}")))
    with psycopg.connect(database_url) as connection:
        connection.execute(
            "UPDATE idempotent_replies SET kept_at = kept_at - make_interval(secs => %s) WHERE key_id = %s",
            [aged_s, key.id],
        )


def replies_left(database_url: str) -> int:
    with psycopg.connect(database_url) as connection:
        row = connection.execute("SELECT count(*) FROM idempotent_replies").fetchone()
    assert row is not None
    return int(row[0])


def states_of(database_url: str, task: str) -> list[str]:
    with psycopg.connect(database_url) as connection:
        rows = connection.execute(
            "SELECT status::text FROM procrastinate_jobs WHERE task_name = %s ORDER BY id", [task]
        ).fetchall()
    return [str(row[0]) for row in rows]


async def defer(database_url: str, task: str) -> None:
    app = make_job_app(database_url, lambda: 0)
    async with app.open_async():
        await app.configure_task(task).defer_async(timestamp=0)


def test_replies_past_their_time_are_forgotten_and_the_others_kept(stores: PostgresStores, database_url: str) -> None:
    keep_replies(stores, database_url, 3, 60)
    keep_replies(stores, database_url, 45, DAY_S + 1)
    assert forget_old_replies(stores) == 45
    assert replies_left(database_url) == 3
    assert forget_old_replies(stores) == 0


def test_the_worker_does_a_job_that_is_due_and_then_forgets_it(stores: PostgresStores, database_url: str) -> None:
    keep_replies(stores, database_url, 5, DAY_S + 1)
    asyncio.run(defer(database_url, "forget_old_replies"))
    assert states_of(database_url, "forget_old_replies") == ["todo"]
    run_worker(database_url, partial(forget_old_replies, stores), until_idle=True)
    assert replies_left(database_url) == 0
    assert states_of(database_url, "forget_old_replies") == []


def test_a_job_that_fails_is_kept_and_said_to_have_failed(database_url: str) -> None:
    def fail() -> int:
        raise OSError("the disk is full")

    asyncio.run(defer(database_url, "forget_old_replies"))
    run_worker(database_url, fail, until_idle=True)
    assert states_of(database_url, "forget_old_replies") == ["failed"]


def lose_the_worker_of_the_job(database_url: str) -> None:
    """Leave the job there is as a killed worker leaves it."""
    with psycopg.connect(database_url) as connection:
        connection.execute(
            "WITH gone AS (INSERT INTO procrastinate_workers (last_heartbeat)"
            " VALUES (now() - interval '1 hour') RETURNING id)"
            " UPDATE procrastinate_jobs SET status = 'doing', worker_id = (SELECT id FROM gone)"
        )


def work_twice(stores: PostgresStores, database_url: str) -> None:
    """A worker that stops when idle may stop before it sees what it put back itself: the next one does that."""
    run_worker(database_url, partial(forget_old_replies, stores), until_idle=True)
    run_worker(database_url, partial(forget_old_replies, stores), until_idle=True)


# The clock may bring a periodic job of the same kind at any moment, so what is looked for is the lost one: "doing".


def test_the_job_of_a_worker_that_was_killed_is_done_by_another(stores: PostgresStores, database_url: str) -> None:
    keep_replies(stores, database_url, 5, DAY_S + 1)
    asyncio.run(defer(database_url, "forget_old_replies"))
    lose_the_worker_of_the_job(database_url)
    assert states_of(database_url, "forget_old_replies") == ["doing"]
    asyncio.run(defer(database_url, "retry_stalled_jobs"))
    work_twice(stores, database_url)
    assert replies_left(database_url) == 0
    assert "doing" not in states_of(database_url, "forget_old_replies")


def test_a_lost_job_of_which_another_waits_already_is_not_put_back(stores: PostgresStores, database_url: str) -> None:
    keep_replies(stores, database_url, 5, DAY_S + 1)
    asyncio.run(defer(database_url, "forget_old_replies"))
    lose_the_worker_of_the_job(database_url)
    asyncio.run(defer(database_url, "retry_stalled_jobs"))
    asyncio.run(defer(database_url, "forget_old_replies"))
    work_twice(stores, database_url)
    assert replies_left(database_url) == 0
    assert "doing" not in states_of(database_url, "forget_old_replies")
    assert "failed" not in states_of(database_url, "retry_stalled_jobs")


def test_two_that_look_for_lost_jobs_at_once_do_not_fail(stores: PostgresStores, database_url: str) -> None:
    keep_replies(stores, database_url, 5, DAY_S + 1)
    asyncio.run(defer(database_url, "forget_old_replies"))
    lose_the_worker_of_the_job(database_url)
    asyncio.run(defer(database_url, "retry_stalled_jobs"))
    with psycopg.connect(database_url) as connection:
        connection.execute("UPDATE procrastinate_jobs SET queueing_lock = NULL WHERE task_name = 'retry_stalled_jobs'")
    asyncio.run(defer(database_url, "retry_stalled_jobs"))
    work_twice(stores, database_url)
    assert replies_left(database_url) == 0
    assert "failed" not in states_of(database_url, "retry_stalled_jobs")
