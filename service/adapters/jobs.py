"""The job worker: what the service does on its own time. Any number may run; a job goes to one of them.

A job is enqueued on our own connection inside our own transaction, so that it exists if and only if what it is about
does. A worker that is killed leaves its job marked as being done; whoever else works puts it back after a while.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TypeAlias
from uuid import UUID

import psycopg
import structlog
from procrastinate import App, PsycopgConnector
from procrastinate.exceptions import ConnectorException, UniqueViolation
from procrastinate.job_context import JobContext
from procrastinate.jobs import Job, Status
from procrastinate.manager import JobManager

from service import spans
from service.adapters.postgres.pool import session_conninfo
from service.adapters.wake_up import ASK_AGAIN, DELIVER_MESSAGE

log = structlog.get_logger()

SECONDS_WITHOUT_HEARTBEAT = 60
"""A worker that has not been heard of for so long is gone; it reports every ten seconds."""

CONCURRENCY = 4
"""Jobs a worker does at a time. Sending is mostly waiting for somebody else."""


@dataclass(frozen=True)
class Deliveries:
    """The sending that a worker does: one message by its id, and whatever was left lying while asked to go on."""

    deliver: Callable[[UUID], None]
    deliver_overdue: Callable[[Callable[[], bool]], int]


@dataclass(frozen=True)
class Chore:
    """Something done again and again: `do` says how many things it did it to. `cron` is when, in UTC."""

    name: str
    cron: str
    do: Callable[[], int]


AskAgain: TypeAlias = Callable[[Callable[[], bool]], int]
"""Asks cases again under the newest catalogue revision while told to go on; how many."""


@contextmanager
def _job(name: str, made_in: str | None = None) -> Iterator[None]:
    """A job being done, for who traces it: a trace of its own, linked to the one it was made in."""
    with spans.span(f"job {name}", spans.Kind.CONSUMER, after=made_in, linked=True):
        trace_id = spans.trace_id()
        with structlog.contextvars.bound_contextvars(**({} if trace_id is None else {"trace_id": trace_id})):
            yield


async def _put_back(manager: JobManager, job: Job) -> None:
    try:
        await manager.retry_job(job)
    except UniqueViolation:
        # Another of its kind waits already, and will do what this one would have done.
        await manager.finish_job(job, status=Status.FAILED, delete_job=True)


def make_job_app(
    database_url: str,
    forget_old_replies: Callable[[], int],
    deliveries: Deliveries | None = None,
    chores: tuple[Chore, ...] = (),
    ask_again: AskAgain | None = None,
) -> App:
    """The jobs there are, over one database. Open it with `open_async`; it belongs to one event loop."""
    app = App(connector=PsycopgConnector(conninfo=session_conninfo(database_url), min_size=1, max_size=3))

    @app.periodic(cron="*/10 * * * *")
    @app.task(name="forget_old_replies", queueing_lock="forget_old_replies")
    def forget(timestamp: int) -> None:
        with _job("forget_old_replies"):
            log.info("forgot kept replies past their time", replies=forget_old_replies(), due=timestamp)

    @app.periodic(cron="* * * * *")
    @app.task(name="retry_stalled_jobs", queueing_lock="retry_stalled_jobs", pass_context=True)
    async def retry_stalled(context: JobContext, timestamp: int) -> None:
        manager = context.app.job_manager
        for job in await manager.get_stalled_jobs(seconds_since_heartbeat=SECONDS_WITHOUT_HEARTBEAT):
            log.warning("putting back a job whose worker is gone", job=job.id, task=job.task_name, due=timestamp)
            try:
                await _put_back(manager, job)
            except ConnectorException as error:
                # Two workers may look at the same moment; the other has dealt with it.
                if not isinstance(error.__cause__, psycopg.errors.RaiseException):
                    raise

    for chore in chores:
        _add_chore(app, chore)
    if ask_again is not None:
        _add_asking_again(app, ask_again)
    if deliveries is not None:
        _add_deliveries(app, deliveries)
    return app


def _add_chore(app: App, chore: Chore) -> None:
    @app.periodic(cron=chore.cron)
    @app.task(name=chore.name, queueing_lock=chore.name)
    def do(timestamp: int) -> None:
        with _job(chore.name):
            done = chore.do()
            if done:
                log.info("did a chore", chore=chore.name, things=done, due=timestamp)


def _add_asking_again(app: App, ask_again: AskAgain) -> None:
    @app.task(name=ASK_AGAIN, pass_context=True)
    def ask(context: JobContext, revision: int, made_in: str | None = None) -> None:
        with _job(ASK_AGAIN, made_in):
            done = ask_again(lambda: not context.should_abort())
            log.info("asked cases again", catalogue_revision=revision, cases=done)

    @app.periodic(cron="* * * * *")
    @app.task(
        name="ask_again_where_left_off", queueing_lock="ask_again_where_left_off", lock=ASK_AGAIN, pass_context=True
    )
    def go_on(context: JobContext, timestamp: int) -> None:
        # The worker that was at it has stopped or was killed: how far it came is kept with what it did.
        with _job("ask_again_where_left_off"):
            done = ask_again(lambda: not context.should_abort())
            if done:
                log.info("went on asking cases again", cases=done, due=timestamp)


def _add_deliveries(app: App, deliveries: Deliveries) -> None:
    @app.task(name=DELIVER_MESSAGE)
    def deliver_message(message_id: str, made_in: str | None = None) -> None:
        with _job(DELIVER_MESSAGE, made_in):
            deliveries.deliver(UUID(message_id))

    @app.periodic(cron="* * * * *")
    @app.task(name="deliver_overdue", queueing_lock="deliver_overdue", pass_context=True)
    def deliver_overdue(context: JobContext, timestamp: int) -> None:
        # A message whose job was lost, or whose worker was killed while it had it, is due and in nobody's hands.
        with _job("deliver_overdue"):
            done = deliveries.deliver_overdue(lambda: not context.should_abort())
            if done:
                log.warning("sent messages that were left lying", messages=done, due=timestamp)


def run_worker(
    database_url: str,
    forget_old_replies: Callable[[], int],
    deliveries: Deliveries | None = None,
    chores: tuple[Chore, ...] = (),
    ask_again: AskAgain | None = None,
    *,
    until_idle: bool = False,
) -> None:
    """Work until SIGTERM or Ctrl-C, and then finish the jobs at hand; `until_idle` stops when nothing is due."""
    app = make_job_app(database_url, forget_old_replies, deliveries, chores, ask_again)

    async def work() -> None:
        async with app.open_async():
            await app.run_worker_async(
                wait=not until_idle, delete_jobs="successful", shutdown_graceful_timeout=15, concurrency=CONCURRENCY
            )

    asyncio.run(work())
