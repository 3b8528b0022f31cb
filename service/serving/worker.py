"""`lobedesk worker`: a job worker over the stores."""

from __future__ import annotations

from functools import partial
from uuid import UUID

import structlog

from service.adapters.answer_cache import NoCache, RedisAnswerCache
from service.adapters.jobs import CONCURRENCY, AskAgain, Chore, Deliveries, run_worker
from service.adapters.mail import MailServer
from service.adapters.metrics import Metrics
from service.adapters.postgres.pool import PostgresStores, open_pool
from service.adapters.redis_link import RedisLink
from service.adapters.sealing import Seal
from service.adapters.tracing import closing_tracing, open_tracing
from service.adapters.webhooks import WebhookPost
from service.serving.collecting import collect_seldom
from service.serving.logs import configure_logging, warn_of_misspelt_settings
from service.serving.reached import reached_stores
from service.serving.schema import require_current_schema
from service.serving.supervisor import stoppable
from service.settings import Settings, tracing_is_wanted
from service.workflows.cases.half_done import close_half_done, remind_half_done
from service.workflows.cases.queue import put_back_lapsed
from service.workflows.cases.reidentify import reidentify
from service.workflows.catalogue.look_alike_maps import map_look_alikes
from service.workflows.housekeeping import forget_old_replies
from service.workflows.identifying.answering import Answering
from service.workflows.identifying.snapshot import CatalogueSnapshot, keep_engine_table
from service.workflows.privacy import forget_by_age
from service.workflows.readiness import fault_of_secrets
from service.workflows.sending.deliver import Carriers, Outcome, deliver, deliver_overdue
from service.workflows.sending.letters import Stationery

log = structlog.get_logger()


def work(settings: Settings) -> None:
    """Work until told to stop."""
    configure_logging(settings.log_level)
    warn_of_misspelt_settings()
    collect_seldom()
    if tracing_is_wanted():
        open_tracing()
    with closing_tracing(), stoppable(), reached_stores(settings, lasting=True) as reached:
        require_current_schema(reached.settings)
        url = reached.settings.database_url or ""
        with open_pool(
            url, CONCURRENCY + 1, statement_timeout=settings.statement_timeout, lock_timeout=settings.lock_timeout
        ) as pool:
            stores = PostgresStores(pool, settings.idempotency_ttl, Seal.of(settings.secrets_key))
            with stores.transaction() as transaction:
                fault = fault_of_secrets(transaction.endpoints.standing())
            if fault is not None:
                log.warning("webhook secrets", fault=fault)
            run_worker(
                url,
                partial(forget_old_replies, stores),
                deliveries_of(stores, carriers_of(settings)),
                chores_of(stores, settings),
                asking_again(stores, reached.settings),
            )


def chores_of(stores: PostgresStores, settings: Settings) -> tuple[Chore, ...]:
    """What the desk has done for it: claims that lapsed put back, half-done cases minded, old data forgotten."""
    stationery = Stationery(settings.supplier, settings.smtp_url is not None)
    snapshot = CatalogueSnapshot()
    return (
        Chore("keep_engine_table", "* * * * *", partial(keep_engine_table, stores, snapshot)),
        Chore("map_look_alikes", "* * * * *", partial(map_look_alikes, stores, snapshot)),
        Chore("put_back_lapsed", "* * * * *", partial(put_back_lapsed, stores)),
        Chore("remind_half_done", "7 * * * *", partial(remind_half_done, stores, stationery, settings.rules)),
        Chore("close_half_done", "17 * * * *", partial(close_half_done, stores, settings.rules)),
        Chore("forget_by_age", "27 3 * * *", partial(forget_by_age, stores, settings.retention)),
    )


def asking_again(stores: PostgresStores, settings: Settings) -> AskAgain:
    """Asking cases again under a new catalogue revision, with the answers' cache where it is set."""
    cache = (
        NoCache() if settings.redis_url is None else RedisAnswerCache(RedisLink(settings.redis_url), settings.cache_ttl)
    )
    # Which revision is active is asked before every case: the table is never older than the run.
    snapshot = CatalogueSnapshot(recheck_seconds=0.0)
    answering = Answering(cache, Metrics(None), settings.losses, snapshot)
    return partial(reidentify, stores, answering, settings.rules)


def carriers_of(settings: Settings) -> Carriers:
    """The ways out that the settings name."""
    mail = None
    if settings.smtp_url is not None:
        mail = MailServer(settings.smtp_url, settings.mail_from, settings.supplier_name, settings.supplier_email)
    return Carriers(mail, WebhookPost(private=settings.webhook_private))


def deliveries_of(stores: PostgresStores, carriers: Carriers) -> Deliveries:
    """The sending that a worker does."""

    def deliver_one(message_id: UUID) -> None:
        outcome = deliver(stores, carriers, message_id)
        if outcome is not None:
            _tell(outcome)

    return Deliveries(deliver_one, partial(deliver_overdue, stores, carriers))


def _tell(outcome: Outcome) -> None:
    """One line a message. What the other side said may name a customer: it is kept with the message, not logged."""
    message = outcome.taken.message
    told = log.bind(message=str(message.id), channel=message.channel.value, topic=message.topic.value)
    if outcome.error is None:
        told.info("sent", attempts=message.attempts)
    else:
        told.warning("not sent", attempts=message.attempts, again=outcome.again)
