"""`lobedesk worker`: a job worker over the stores."""

from __future__ import annotations

from functools import partial

from service.adapters.jobs import run_worker
from service.adapters.postgres.pool import PostgresStores, open_pool
from service.serving.logs import configure_logging
from service.serving.reached import reached_stores
from service.serving.schema import require_current_schema
from service.serving.supervisor import stoppable
from service.settings import Settings
from service.workflows.housekeeping import forget_old_replies


def work(settings: Settings) -> None:
    """Work until told to stop."""
    configure_logging(settings.log_level)
    with stoppable(), reached_stores(settings, lasting=True) as reached:
        require_current_schema(reached.settings)
        url = reached.settings.database_url or ""
        with open_pool(
            url, 2, statement_timeout=settings.statement_timeout, lock_timeout=settings.lock_timeout
        ) as pool:
            run_worker(url, partial(forget_old_replies, PostgresStores(pool, settings.idempotency_ttl)))
