"""Real servers for the tests: one Postgres and one Redis-compatible server a run, a database of its own for each test.

`LOBEDESK_TEST_DATABASE_URL` (Postgres 16 or later, a role that may create databases) and `LOBEDESK_TEST_REDIS_URL` (a
database that may be emptied) put servers of your own in place of the embedded ones.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import uuid
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import psycopg
import pytest
import redis
from hypothesis import HealthCheck, settings
from psycopg.conninfo import make_conninfo

from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.embedded.valkey import EmbeddedValkey
from service.adapters.postgres.migrations.migrate import upgrade
from service.adapters.postgres.pool import Pool, PostgresStores, open_pool

# how long an example takes is no property of the product: a busy machine is not a failure
settings.register_profile("lobedesk", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("lobedesk")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Refuse tests that share an id: pytest-xdist would run the first of them, and never tell."""
    doubled = [nodeid for nodeid, count in Counter(item.nodeid for item in items).items() if count > 1]
    if doubled:
        raise pytest.UsageError(f"several tests have one id: {', '.join(doubled[:3])}")


NewDatabase = Callable[[], AbstractContextManager[str]]


@pytest.fixture(scope="session")
def short_folder() -> Iterator[Path]:
    """A folder whose path is short enough for a socket, which pytest's own are not."""
    folder = Path(tempfile.mkdtemp(prefix="lobedesk-test-"))
    yield folder
    shutil.rmtree(folder)


@pytest.fixture(scope="session")
def postgres_url(short_folder: Path) -> Iterator[str]:
    """The run's Postgres server, at its maintenance database."""
    given = os.environ.get("LOBEDESK_TEST_DATABASE_URL")
    if given:
        yield given
        return
    sockets = short_folder / "run"
    sockets.mkdir(mode=0o700)
    server = EmbeddedPostgres(short_folder / "postgres", sockets, durable=False)
    server.start()
    yield server.url("postgres")
    server.stop()


@pytest.fixture(scope="session")
def template(postgres_url: str) -> Iterator[str]:
    """The name of a database at head, to be cloned and never connected to."""
    with _database(postgres_url) as (name, url):
        upgrade(url)
        yield name


@pytest.fixture(scope="session")
def new_database(postgres_url: str, template: str) -> NewDatabase:
    """Makes databases at head: `with new_database() as url`. For tests that share one, or want two."""

    @contextmanager
    def make() -> Iterator[str]:
        with _database(postgres_url, template) as (_, url):
            yield url

    return make


@pytest.fixture
def database_url(new_database: NewDatabase) -> Iterator[str]:
    """A database at head, this test's own."""
    with new_database() as url:
        yield url


@pytest.fixture
def empty_database_url(postgres_url: str) -> Iterator[str]:
    """A database that was never migrated, this test's own."""
    with _database(postgres_url) as (_, url):
        yield url


@pytest.fixture
def pool(database_url: str) -> Iterator[Pool]:
    """The service's pool on this test's database."""
    with open_pool(database_url) as pool:
        yield pool


@pytest.fixture
def stores(pool: Pool) -> PostgresStores:
    """The service's stores on this test's database."""
    return PostgresStores(pool)


@pytest.fixture(scope="session")
def _redis_server(short_folder: Path) -> Iterator[str]:
    given = os.environ.get("LOBEDESK_TEST_REDIS_URL")
    if given:
        yield given
        return
    sockets = short_folder / "cache"
    sockets.mkdir(mode=0o700)
    server = EmbeddedValkey(sockets, short_folder / "valkey.log")
    server.start()
    yield server.url
    server.stop()


@pytest.fixture
def redis_url(_redis_server: str) -> str:
    """The run's Redis-compatible server, empty."""
    with redis.Redis.from_url(_redis_server) as client:
        client.flushdb()
    return _redis_server


@contextmanager
def _database(postgres_url: str, template: str = "template0") -> Iterator[tuple[str, str]]:
    name = f"lobedesk_test_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(postgres_url, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name} TEMPLATE {template}".encode())
        try:
            yield name, make_conninfo(postgres_url, dbname=name)
        finally:
            connection.execute(f"DROP DATABASE {name} WITH (FORCE)".encode())
