"""A desk over stores of a test's own, which the test may stop, fill up and freeze."""

from __future__ import annotations

import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import psycopg
from flask import Flask
from werkzeug.test import TestResponse

from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.embedded.valkey import EmbeddedValkey
from service.adapters.postgres.migrations.migrate import upgrade
from service.adapters.postgres.pool import PostgresStores, open_pool
from service.app import EXTENSION, close_app, create_app
from service.catalogue_files import read_json
from service.domain.access import Role
from service.settings import Settings
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.keys import create_key
from tests.instances import CATALOGUE

PLENTY = "1000000/minute"
SCANT: dict[str, Any] = {
    "source": "phone",
    "unit": "in",
    "instrument": "digital_caliper",
    "readings": [{"feature": "lobe_height", "lobe": "intake", "values": ["1.1725"]}],
}


@dataclass
class Own:
    """An application over stores of its own."""

    app: Flask
    key: str
    settings: Settings
    postgres: EmbeddedPostgres
    valkey: EmbeddedValkey

    def submit(self, once: str | None = None, **said: Any) -> TestResponse:
        headers = {"Authorization": f"Bearer {self.key}", "Idempotency-Key": once or str(uuid.uuid4())}
        return self.app.test_client().post("/v1/submissions", json=SCANT | said, headers=headers)

    def read(self, submission_id: str) -> TestResponse:
        return self.app.test_client().get(
            f"/v1/submissions/{submission_id}", headers={"Authorization": f"Bearer {self.key}"}
        )

    def until_taken(self, once: str) -> dict[str, Any]:
        """Send one submission again and again, as a patient client does; every refusal must be a proper one."""
        deadline = time.monotonic() + 60
        while (response := self.submit(once)).status_code != 201:
            asks_to_come_back(response)
            assert time.monotonic() < deadline
            time.sleep(0.1)
        found: dict[str, Any] = response.get_json()
        return found

    def count(self) -> int:
        with self.database() as connection:
            row = connection.execute("SELECT count(*) FROM submissions").fetchone()
        assert row is not None
        return int(row[0])

    def database(self) -> psycopg.Connection[Any]:
        return psycopg.connect(self.postgres.url(), autocommit=True)


def asks_to_come_back(response: TestResponse) -> None:
    assert response.status_code == 503, response.get_data(as_text=True)
    assert int(response.headers["Retry-After"]) > 0
    assert response.content_type == "application/problem+json"


def gist(answer: dict[str, Any]) -> Any:
    return answer["state"], [(one["part_number"], one["probability"]) for one in answer["candidates"]]


def fill(postgres: EmbeddedPostgres) -> None:
    """Bring the schema to head, and the invented catalogue in."""
    upgrade(postgres.url())
    with open_pool(postgres.url()) as pool:
        import_catalogue(PostgresStores(pool), read_json(CATALOGUE.read_bytes()), who="tests", why="invented")


@contextmanager
def open_desk(postgres: EmbeddedPostgres, valkey: EmbeddedValkey, **settings: Any) -> Iterator[Own]:
    """A desk over running stores, with a key, under `settings`."""
    usual = {"database_url": postgres.url(), "redis_url": valkey.url, "rate_widget": PLENTY, "rate_staff": PLENTY}
    whole = Settings(**(usual | settings))
    app = create_app(whole)
    try:
        yield Own(app, create_key(app.extensions[EXTENSION].desk.stores, Role.DESK, "desk"), whole, postgres, valkey)
    finally:
        close_app(app)
