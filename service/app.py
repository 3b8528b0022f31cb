"""Builds the Flask application: settings -> adapters -> workflows -> web. The only place that wires.

Call `create_app` in the process that will serve, after any fork: it opens the connections.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from flask import Flask

from service import __version__
from service.adapters.answer_cache import RedisAnswerCache
from service.adapters.metrics import Metrics
from service.adapters.photos import PhotoMaker
from service.adapters.postgres.migrations import is_current, revision_of
from service.adapters.postgres.pool import Pool, PostgresStores, open_pool
from service.adapters.rates import Rates
from service.adapters.redis_link import RedisLink
from service.adapters.sealing import Seal
from service.domain.errors import Unavailable
from service.settings import Settings
from service.web.register import Faces, register
from service.web.requests import watch_requests
from service.workflows.backlog import backlog
from service.workflows.catalogue.look_alike_maps import LookAlikeMap
from service.workflows.desk import Desk
from service.workflows.identifying.answering import Answering
from service.workflows.identifying.snapshot import CatalogueSnapshot
from service.workflows.readiness import Probes, readiness
from service.workflows.sending.letters import Stationery

EXTENSION = "lobedesk"


@dataclass(frozen=True)
class Running:
    """What an application holds open."""

    desk: Desk
    pool: Pool
    redis: RedisLink

    def close(self) -> None:
        """Give everything back."""
        self.desk.answering.snapshot.stop()
        self.pool.close()
        self.redis.close()


def create_app(
    settings: Settings, metrics_folder: Path | None = None, snapshot: CatalogueSnapshot | None = None
) -> Flask:
    """The application over the stores that `settings` name; both URLs must be set.

    `metrics_folder` is where the workers of one server keep their numbers, `snapshot` what was read for all of them;
    None for a process alone.
    """
    if settings.database_url is None or settings.redis_url is None:
        raise ValueError("create_app needs database_url and redis_url; the embedded stores' are filled in by `serve`")
    pool = open_pool(
        settings.database_url,
        settings.threads,
        statement_timeout=settings.statement_timeout,
        lock_timeout=settings.lock_timeout,
    )
    redis = RedisLink(settings.redis_url)
    stores = PostgresStores(pool, settings.idempotency_ttl, Seal.of(settings.secrets_key))
    metrics = Metrics(metrics_folder)
    answering = Answering(
        RedisAnswerCache(redis, settings.cache_ttl),
        metrics,
        settings.losses,
        snapshot or CatalogueSnapshot(),
    )
    stationery = Stationery(settings.supplier, sends_mail=settings.smtp_url is not None)
    desk = Desk(
        stores,
        answering,
        LookAlikeMap(answering.snapshot),
        settings.rules,
        stationery,
        settings.webhook_private,
        settings.patience,
        settings.retention,
    )
    probes = Probes(redis.answers, _schema_probe(stores))

    app = Flask("lobedesk", static_folder=None)
    app.json.sort_keys = False  # type: ignore[attr-defined]
    watch_requests(app, settings.body_limit, metrics.request)
    rates = Rates(redis, settings.rate_widget, settings.rate_staff)
    faces = Faces(
        desk,
        rates.use,
        lambda: readiness(stores, probes),
        lambda: metrics.render(backlog(stores)),
        settings.catalogue_body_limit,
        settings.privacy_notices,
        PhotoMaker(settings.photo_pixels),
        settings.photo_body_limit,
    )
    register(app, faces, __version__)
    app.extensions[EXTENSION] = Running(desk, pool, redis)
    answering.snapshot.keep_fresh(stores)
    return app


def read_ahead(settings: Settings) -> CatalogueSnapshot:
    """The catalogue, for processes that will be forked to share; empty where the store is away or has none yet."""
    snapshot = CatalogueSnapshot()
    with contextlib.suppress(Unavailable), open_pool(settings.database_url or "", 1) as pool:
        snapshot.now(PostgresStores(pool))
    return snapshot


def close_app(app: Flask) -> None:
    """Close what `create_app` opened."""
    running: Running = app.extensions[EXTENSION]
    running.close()


def _schema_probe(stores: PostgresStores) -> Callable[[], bool]:
    def schema_is_current() -> bool:
        with stores.transaction() as transaction:
            return is_current(revision_of(transaction.connection))

    return schema_is_current
