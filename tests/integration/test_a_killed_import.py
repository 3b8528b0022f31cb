"""A real `lobedesk catalogue import` killed at several moments: what was active stays so, and no row is left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from fixtures.make_catalogue import generate
from service.adapters.postgres.pool import PostgresStores
from service.catalogue_files import read_json
from service.catalogue_files.written import written_json
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.catalogue.revisions import active_catalogue
from tests.api.conftest import as_url
from tests.catalogues import catalogue

ROOT = Path(__file__).parents[2]
BEFORE = read_json(catalogue())
TABLES = (
    "catalogue_core", "catalogue_journal", "catalogue_part", "catalogue_lobe", "catalogue_duration",
    "catalogue_lift_table", "catalogue_revision", "reidentifications",
)  # fmt: skip

MOMENTS = {
    "it has begun a transaction": "xact_start IS NOT NULL",
    "it is copying parts": "query LIKE 'COPY catalogue_part%'",
    "it is copying lobes": "query LIKE 'COPY catalogue_lobe%'",
    "it is copying durations": "query LIKE 'COPY catalogue_duration%'",
}
"""When the import is killed: as soon as one of its connections is seen so in `pg_stat_activity`."""


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A generated catalogue large enough for every step to take a while."""
    path = tmp_path_factory.mktemp("catalogue") / "large.json"
    path.write_bytes(written_json(read_json(generate(60, seed=3, parts_per_core=25))))
    return path


@pytest.fixture
def watcher(stores: PostgresStores, database_url: str) -> Iterator[psycopg.Connection[tuple[int]]]:
    """A connection that watches the others; the database holds a small catalogue as revision 1."""
    import_catalogue(stores, BEFORE, who="tests", why="the one before")
    with psycopg.connect(database_url, autocommit=True) as connection:
        yield connection


def rows_of(watcher: psycopg.Connection[tuple[int]]) -> dict[str, int]:
    counts = {}
    for table in TABLES:
        found = watcher.execute(f"SELECT count(*) FROM {table}".encode()).fetchone()
        assert found is not None
        counts[table] = found[0]
    return counts


def importing(database_url: str, source: Path, folder: Path) -> subprocess.Popen[bytes]:
    settings = {
        "LOBEDESK_DATABASE_URL": as_url(f"{database_url} application_name=killed"),
        "LOBEDESK_DATA": str(folder),
    }
    command = [sys.executable, "-m", "service.cli", "catalogue", "import", str(source)]
    with (folder / "log").open("ab") as out:
        return subprocess.Popen(command, cwd=ROOT, env=os.environ | settings, stdout=out, stderr=out)


def others(watcher: psycopg.Connection[tuple[int]], condition: str) -> int:
    query = f"SELECT count(*) FROM pg_stat_activity WHERE application_name = 'killed' AND {condition}"
    found = watcher.execute(query.encode()).fetchone()
    assert found is not None
    return found[0]


@pytest.mark.parametrize(
    "moment", [pytest.param(name, marks=() if "lobes" in name else pytest.mark.long) for name in MOMENTS]
)
def test_a_killed_import_leaves_the_catalogue_as_it_was(
    moment: str, stores: PostgresStores, watcher: psycopg.Connection[tuple[int]], database_url: str, source: Path,
    tmp_path: Path,
) -> None:  # fmt: skip
    before = rows_of(watcher)
    process = importing(database_url, source, tmp_path)
    deadline = time.monotonic() + 120
    while not others(watcher, MOMENTS[moment]):
        assert process.poll() is None, (tmp_path / "log").read_text()
        assert time.monotonic() < deadline
    process.send_signal(signal.SIGKILL)
    assert process.wait() == -signal.SIGKILL
    while others(watcher, "true"):
        assert time.monotonic() < deadline
        time.sleep(0.01)
    assert rows_of(watcher) == before
    assert active_catalogue(stores) == (1, BEFORE)
    report = import_catalogue(stores, read_json(source.read_bytes()), who="tests", why="again, in peace")
    assert active_catalogue(stores)[0] == report.revision == 2
