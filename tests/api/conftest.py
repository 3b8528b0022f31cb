"""The real application over the run's Postgres and Redis, with the invented catalogue and a key for each role."""

from __future__ import annotations

import copy
import json
import logging
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import psycopg
import pytest
import structlog
from flask import Flask
from psycopg.conninfo import conninfo_to_dict
from werkzeug.test import TestResponse

from service.adapters.postgres.pool import PostgresStores, open_pool
from service.app import EXTENSION, close_app, create_app
from service.catalogue_files import read_json
from service.domain.access import Role
from service.settings import Settings
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.keys import create_key

FIXTURES = Path(__file__).parents[2] / "fixtures"
PLENTY = "1000000/minute"

Json = dict[str, Any]


@pytest.fixture(scope="session", autouse=True)
def plain_logs() -> None:
    """What goes wrong is in the tests' output, with plain tracebacks."""
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.format_exc_info,
            structlog.processors.KeyValueRenderer(),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.WARNING),
        logger_factory=structlog.PrintLoggerFactory(),
        cache_logger_on_first_use=False,
    )


@pytest.fixture(scope="session")
def api_settings(new_database: Any, _redis_server: str) -> Iterator[Settings]:
    """Settings for a database that holds the invented catalogue; shared by the run, so tests bring their own cases."""
    with new_database() as url:
        with open_pool(url) as pool:
            catalogue = read_json((FIXTURES / "catalogue.json").read_bytes())
            import_catalogue(PostgresStores(pool), catalogue, who="tests", why="the invented catalogue")
        yield Settings(database_url=as_url(url), redis_url=_redis_server, rate_widget=PLENTY, rate_staff=PLENTY)


@pytest.fixture
def database(api_settings: Settings) -> Iterator[psycopg.Connection[Any]]:
    """The tests' own way to the application's database."""
    with psycopg.connect(str(api_settings.database_url), autocommit=True) as connection:
        yield connection


def as_url(conninfo: str) -> str:
    """A connection string as the URL that settings are written with."""
    return f"postgresql:///?{urlencode(conninfo_to_dict(conninfo))}"


@pytest.fixture(scope="session")
def app(api_settings: Settings) -> Iterator[Flask]:
    """The application."""
    app = create_app(api_settings)
    yield app
    close_app(app)


@pytest.fixture(scope="session")
def keys(app: Flask) -> dict[Role, str]:
    """A key for each role."""
    return {role: create_key(app.extensions[EXTENSION].desk.stores, role, f"the tests' {role}") for role in Role}


class Caller:
    """Somebody with a key, or with none, at the other end of the API."""

    def __init__(self, app: Flask, key: str | None) -> None:
        self._client = app.test_client()
        self._headers = {} if key is None else {"Authorization": f"Bearer {key}"}

    def get(self, path: str, **headers: str) -> TestResponse:
        return self._client.get(path, headers=self._headers | _named(headers))

    def post(self, path: str, body: Any = None, **headers: str) -> TestResponse:
        return self._client.post(path, json=body, headers=self._headers | _named(headers))

    def send(self, method: str, path: str, **options: Any) -> TestResponse:
        headers = self._headers | options.pop("headers", {})
        return self._client.open(path, method=method, headers=headers, **options)

    def submit(self, body: Json, **headers: str) -> Json:
        """Open a submission that must be taken."""
        response = self.post("/v1/submissions", body, **headers)
        assert response.status_code == 201, response.get_data(as_text=True)
        answer: Json = response.get_json()
        return answer


def _named(headers: dict[str, str]) -> dict[str, str]:
    return {name.replace("_", "-"): value for name, value in headers.items()}


@pytest.fixture
def as_role(app: Flask, keys: dict[Role, str]) -> Callable[[Role], Caller]:
    """Somebody with a key of a role."""
    return lambda role: Caller(app, keys[role])


@pytest.fixture
def desk(app: Flask, keys: dict[Role, str]) -> Caller:
    """The person at the desk."""
    return Caller(app, keys[Role.DESK])


@pytest.fixture
def widget(app: Flask, keys: dict[Role, str]) -> Caller:
    """A store's web page, on a customer's behalf."""
    return Caller(app, keys[Role.WIDGET])


@pytest.fixture
def other_widget(app: Flask) -> Caller:
    """Another store's web page: a stranger to the first."""
    return Caller(app, create_key(app.extensions[EXTENSION].desk.stores, Role.WIDGET, "another store"))


@pytest.fixture
def nobody(app: Flask) -> Caller:
    """Somebody without a key."""
    return Caller(app, None)


SAMPLE: Json = json.loads((FIXTURES / "sample_submission.json").read_text())


@pytest.fixture
def sample() -> Json:
    """The sample submission: a full phone call about an invented part."""
    return copy.deepcopy(SAMPLE)


@pytest.fixture
def scant() -> Json:
    """A submission that says next to nothing: one journal, in a size shared by several cores."""
    return {
        "source": "web",
        "unit": "in",
        "readings": [{"feature": "journal_diameter", "position": "front", "values": ["0.7500"]}],
    }
