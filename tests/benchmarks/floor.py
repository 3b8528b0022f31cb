"""The floor under `POST /v1/submissions`: the same stack, and no engine.

The same server, middleware, keys, rates, schema, pool and counting; then one row, committed, and an answer as long as
the service's. Started by the benchmark `request`:

    PROMETHEUS_MULTIPROC_DIR=FOLDER .venv/bin/python -m tests.benchmarks.floor BYTES
"""

from __future__ import annotations

import os
import socket
import sys
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

import psycopg
from flask import Flask, Response
from psycopg.types.json import Jsonb
from uuid6 import uuid7

from service.adapters.metrics import Metrics
from service.adapters.postgres.pool import Pool, PostgresStores, open_pool
from service.adapters.rates import Rates
from service.adapters.redis_link import RedisLink
from service.adapters.stored_form import submission_to_stored
from service.domain.readings import Submission
from service.serving.logs import configure_logging
from service.serving.web_server import WebServer
from service.settings import read_settings
from service.web.access import caller, guard
from service.web.api.submissions.schemas import SubmissionSchema
from service.web.blueprint import Blueprint
from service.web.document import make_api
from service.web.problems import register_problems
from service.web.register import EVERY_KEY
from service.web.replies import json_response
from service.web.requests import watch_requests

TABLE = "CREATE TABLE IF NOT EXISTS floor (id uuid PRIMARY KEY, key_id uuid NOT NULL, said jsonb NOT NULL)"


@dataclass
class Held:
    """What the app holds open."""

    pool: Pool
    redis: RedisLink

    def close(self) -> None:
        """Give it back."""
        self.pool.close()
        self.redis.close()


class FloorServer(WebServer):
    """The service's server, with another app in it."""

    reply_bytes = 0

    def load(self) -> Flask:
        """The app of one worker."""
        settings = self._settings
        pool = open_pool(settings.database_url or "", settings.threads)
        redis = RedisLink(settings.redis_url or "")
        stores = PostgresStores(pool)
        app = Flask("lobedesk", static_folder=None)
        watch_requests(app, settings.body_limit, Metrics(self._metrics_folder).request)
        register_problems(app)
        api = make_api(app, "0")
        blueprint = floor_blueprint(stores, "x" * self.reply_bytes)
        guard(app, stores, Rates(redis, settings.rate_widget, settings.rate_staff).use, {blueprint.name: EVERY_KEY})
        api.register_blueprint(blueprint)
        app.extensions["lobedesk"] = Held(pool, redis)
        self._app = app
        return app


def floor_blueprint(stores: PostgresStores, padding: str) -> Blueprint:
    """The one route."""
    blueprint = Blueprint("submissions", __name__, url_prefix="/v1/submissions")

    @blueprint.route("", methods=["POST"])
    @blueprint.arguments(SubmissionSchema())
    def keep(submission: Submission) -> Response:
        """Write it down."""
        row = (UUID(int=uuid7().int), caller().id, Jsonb(submission_to_stored(submission)))
        with stores.transaction() as transaction:
            transaction.connection.execute("INSERT INTO floor (id, key_id, said) VALUES (%s, %s, %s)", row)
        return json_response({"id": str(row[0]), "padding": padding}, 201)

    return blueprint


def main() -> None:
    """Serve until told to stop."""
    settings = read_settings()
    configure_logging(settings.log_level)
    FloorServer.reply_bytes = int(sys.argv[1])
    with psycopg.connect(settings.database_url or "", autocommit=True) as connection:
        connection.execute(TABLE)
    with socket.create_server(("127.0.0.1", 0), backlog=2048) as listener:
        print(f"lobedesk serves http://127.0.0.1:{listener.getsockname()[1]}", flush=True)
        FloorServer(settings, listener.fileno(), Path(os.environ["PROMETHEUS_MULTIPROC_DIR"])).run()


if __name__ == "__main__":
    main()
