"""The schema's history, run for real."""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import psycopg
import pytest

from service.adapters.postgres.migrations import FOLDER, head_revision, is_current, revision_of
from service.adapters.postgres.migrations.migrate import ADVISORY_LOCK, upgrade
from service.domain.reference import read_reference
from tests.integration.schema_dump import SCHEMA, schema_of

BEFORE_LONG_QUEUES = "0016"


def test_the_end_state_is_the_committed_schema(database_url: str) -> None:
    assert schema_of(database_url) == SCHEMA.read_text(encoding="utf-8")


def test_an_empty_database_comes_to_head_and_stays_there(empty_database_url: str) -> None:
    assert upgrade(empty_database_url) == (None, head_revision())
    assert upgrade(empty_database_url) == (head_revision(), head_revision())


def test_a_database_tells_its_revision(empty_database_url: str, database_url: str) -> None:
    with psycopg.connect(empty_database_url) as connection:
        assert revision_of(connection) is None
    with psycopg.connect(database_url) as connection:
        assert revision_of(connection) == head_revision()


def test_only_a_schema_as_new_as_the_code_will_do() -> None:
    assert not is_current(None)
    assert not is_current("0000")
    assert is_current(head_revision())
    assert is_current("9999")


def test_cases_from_before_there_were_references_get_one_each_and_stay_in_the_queue(empty_database_url: str) -> None:
    with psycopg.connect(empty_database_url) as connection:
        for name in ("0001_catalogue", "0002_cases", "0003_jobs"):
            connection.execute((FOLDER / "sql" / f"{name}.sql").read_bytes())
        connection.execute("CREATE TABLE alembic_version (version_num varchar(32) PRIMARY KEY)")
        connection.execute("INSERT INTO alembic_version VALUES ('0003')")
        connection.execute(
            "INSERT INTO api_keys (id, digest, ending, role, name)"
            " VALUES (gen_random_uuid(), sha256('k'), 'abcd', 'desk', 'front desk')"
        )
        connection.execute(
            "INSERT INTO submissions (id, key_id, source, state, ask_person, head)"
            " SELECT gen_random_uuid(), id, 'web', 'ambiguous', true, '{}' FROM api_keys, generate_series(1, 30)"
        )
        connection.execute(
            "INSERT INTO reviews (id, submission_id, reason, opened_at)"
            " SELECT gen_random_uuid(), id, 'ambiguous', now() - interval '3 days' FROM submissions"
        )
    assert upgrade(empty_database_url) == ("0003", head_revision())
    with psycopg.connect(empty_database_url) as connection:
        references = [row[0] for row in connection.execute("SELECT reference FROM submissions")]
        assert len(set(references)) == 30
        assert all(read_reference(reference) == reference for reference in references)
        queued = connection.execute("SELECT count(*) FROM queue WHERE state = 'waiting' AND due_at < now()").fetchone()
        assert queued == (30,)


def test_of_two_migrations_at_once_one_works_and_the_other_waits(empty_database_url: str) -> None:
    outcomes: list[tuple[str | None, str]] = []
    threads = [threading.Thread(target=lambda: outcomes.append(upgrade(empty_database_url))) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    head = head_revision()
    assert sorted(outcomes, key=str) == [(head, head), (None, head)]


def test_a_migration_waits_no_longer_than_it_is_told_to(empty_database_url: str) -> None:
    with psycopg.connect(empty_database_url) as holder:
        holder.execute("SELECT pg_advisory_lock(%s)", [ADVISORY_LOCK])
        with pytest.raises(psycopg.errors.LockNotAvailable):
            upgrade(empty_database_url, wait=0.1)
        assert revision_of(holder) is None


def at_revision(url: str, number: str) -> None:
    """Bring an empty database to an old revision."""
    with psycopg.connect(url) as connection:
        for path in sorted((FOLDER / "sql").glob("*.sql")):
            if path.name[:4] <= number:
                connection.execute(path.read_bytes())
        connection.execute("CREATE TABLE alembic_version (version_num varchar(32) NOT NULL)")
        connection.execute("ALTER TABLE alembic_version ADD CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)")
        connection.execute("INSERT INTO alembic_version VALUES (%s)", [number])


def test_an_index_is_made_beside_others_who_go_on_writing_and_another_migration_waits(empty_database_url: str) -> None:
    at_revision(empty_database_url, BEFORE_LONG_QUEUES)
    with (
        psycopg.connect(empty_database_url) as reader,
        psycopg.connect(empty_database_url, autocommit=True) as other,
        ThreadPoolExecutor(2) as migrations,
    ):
        reader.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        reader.execute("SELECT count(*) FROM reviews")
        running = [migrations.submit(upgrade, empty_database_url) for _ in range(2)]
        until(other, "SELECT FROM pg_stat_activity WHERE query LIKE 'CREATE INDEX CONCURRENTLY%' AND state = 'active'")
        other.execute("SET lock_timeout = '2s'")
        with other.transaction(force_rollback=True):
            other.execute("LOCK TABLE reviews, submissions IN ROW EXCLUSIVE MODE")
        assert not any(one.done() for one in running)
        reader.rollback()
        head = head_revision()
        assert sorted(one.result(60) for one in running) == [(BEFORE_LONG_QUEUES, head), (head, head)]


def until(connection: psycopg.Connection[Any], query: str) -> None:
    """Wait until a query has a row."""
    deadline = time.monotonic() + 30
    while connection.execute(query.encode()).fetchone() is None:
        assert time.monotonic() < deadline
        time.sleep(0.02)


def test_an_index_that_a_killed_migration_left_half_made_is_made_anew(empty_database_url: str) -> None:
    at_revision(empty_database_url, BEFORE_LONG_QUEUES)
    with psycopg.connect(empty_database_url) as connection:
        connection.execute("CREATE INDEX reviews_counted ON reviews (id)")
    upgrade(empty_database_url)
    with psycopg.connect(empty_database_url) as connection:
        made = connection.execute("SELECT pg_get_indexdef('reviews_counted'::regclass)").fetchone()
    assert made is not None
    assert made[0] in SCHEMA.read_text(encoding="utf-8")


def test_every_revision_names_one_file_of_sql_and_every_file_is_named() -> None:
    numbered = {path.stem for path in (FOLDER / "sql").glob("*.sql")}
    revisions = {path.stem.removeprefix("v") for path in (FOLDER / "versions").glob("v*.py")}
    assert numbered == revisions
    for path in (FOLDER / "versions").glob("v*.py"):
        assert f'run_sql("{path.stem.removeprefix("v")}.sql"' in path.read_text(encoding="utf-8")
    numbers = sorted(name[:4] for name in numbered)
    assert numbers == [f"{number:04}" for number in range(1, len(numbers) + 1)]


def test_a_revision_says_what_it_is_for() -> None:
    for path in (FOLDER / "versions").glob("v*.py"):
        assert Path(path).read_text(encoding="utf-8").startswith('"""')
