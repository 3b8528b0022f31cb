"""The job worker: what the service does on its own time. Any number may run; a job goes to one of them.

A job is enqueued on our own connection inside our own transaction, so that it exists if and only if what it is about
does. A worker that is killed leaves its job marked as being done; whoever else works puts it back after a while.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import structlog
from procrastinate import App, PsycopgConnector
from procrastinate.exceptions import UniqueViolation
from procrastinate.job_context import JobContext
from procrastinate.jobs import Status

from service.adapters.postgres.pool import session_conninfo

log = structlog.get_logger()

SECONDS_WITHOUT_HEARTBEAT = 60
"""A worker that has not been heard of for so long is gone; it reports every ten seconds."""


def make_job_app(database_url: str, forget_old_replies: Callable[[], int]) -> App:
    """The jobs there are, over one database. Open it with `open_async`; it belongs to one event loop."""
    app = App(connector=PsycopgConnector(conninfo=session_conninfo(database_url), min_size=1, max_size=3))

    @app.periodic(cron="*/10 * * * *")
    @app.task(name="forget_old_replies", queueing_lock="forget_old_replies")
    def forget(timestamp: int) -> None:
        log.info("forgot kept replies past their time", replies=forget_old_replies(), due=timestamp)

    @app.periodic(cron="* * * * *")
    @app.task(name="retry_stalled_jobs", queueing_lock="retry_stalled_jobs", pass_context=True)
    async def retry_stalled(context: JobContext, timestamp: int) -> None:
        manager = context.app.job_manager
        for job in await manager.get_stalled_jobs(seconds_since_heartbeat=SECONDS_WITHOUT_HEARTBEAT):
            log.warning("putting back a job whose worker is gone", job=job.id, task=job.task_name, due=timestamp)
            try:
                await manager.retry_job(job)
            except UniqueViolation:
                # Another of its kind waits already, and will do what this one would have done.
                await manager.finish_job(job, status=Status.FAILED, delete_job=True)

    return app


def run_worker(database_url: str, forget_old_replies: Callable[[], int], *, until_idle: bool = False) -> None:
    """Work until SIGTERM or Ctrl-C, and then finish the jobs at hand; `until_idle` stops when nothing is due."""
    app = make_job_app(database_url, forget_old_replies)

    async def work() -> None:
        async with app.open_async():
            await app.run_worker_async(
                wait=not until_idle, delete_jobs="successful", shutdown_graceful_timeout=15, concurrency=2
            )

    asyncio.run(work())
