"""Backup and restore, rehearsed: what was acknowledged is there afterwards, and nothing is written over."""

from __future__ import annotations

import json
import stat
from pathlib import Path
from urllib.parse import urlencode

import psycopg
import pytest
from click.testing import CliRunner
from psycopg import sql
from psycopg.conninfo import conninfo_to_dict

from service.adapters.postgres.dump import MADE_AGAIN, DumpError, dump, restore
from service.adapters.postgres.migrations.migrate import upgrade
from service.adapters.postgres.pool import PostgresStores, open_pool
from service.cli import main
from service.domain.access import Role
from service.workflows.keys import create_key
from tests.catalogues import catalogue
from tests.integration.schema_dump import schema_of


def rows_of(url: str) -> dict[str, int]:
    """How many rows each table holds."""
    with psycopg.connect(url) as connection:
        names = connection.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public'").fetchall()
        found = {}
        for (name,) in names:
            count = connection.execute(sql.SQL("SELECT count(*) FROM {}").format(sql.Identifier(name))).fetchone()
            found[str(name)] = 0 if count is None else int(count[0])
        return found


def lobedesk(url: str, *arguments: str) -> str:
    """The output of a command on that database, which has to succeed."""
    done = CliRunner(env={"LOBEDESK_DATABASE_URL": f"postgresql:///?{urlencode(conninfo_to_dict(url))}"}).invoke(
        main, arguments
    )
    assert done.exit_code == 0, done.output
    return done.output


@pytest.fixture
def filled_url(database_url: str, tmp_path: Path) -> str:
    """A database with a key and a catalogue in it."""
    with open_pool(database_url) as pool:
        create_key(PostgresStores(pool), Role.DESK, "front desk")
    document = tmp_path / "catalogue.json"
    document.write_text(json.dumps(catalogue()))
    lobedesk(database_url, "catalogue", "import", str(document))
    return database_url


def test_what_was_backed_up_is_restored_row_for_row(filled_url: str, empty_database_url: str, tmp_path: Path) -> None:
    file = tmp_path / "backup"
    lobedesk(filled_url, "backup", str(file))
    lobedesk(empty_database_url, "restore", str(file))
    # but for what is made again of the rest
    assert rows_of(empty_database_url) == rows_of(filled_url) | {MADE_AGAIN.removeprefix("public."): 0}
    assert rows_of(filled_url)["catalogue_part"] > 0
    assert schema_of(empty_database_url) == schema_of(filled_url)


def test_a_backup_is_its_owners_alone_and_leaves_nothing_half_written(filled_url: str, tmp_path: Path) -> None:
    file = tmp_path / "backup"
    dump(filled_url, file)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert [path.name for path in tmp_path.glob("backup*")] == ["backup"]


def test_a_database_that_holds_something_is_never_written_over(filled_url: str, tmp_path: Path) -> None:
    file = tmp_path / "backup"
    dump(filled_url, file)
    before = rows_of(filled_url)
    with pytest.raises(DumpError, match="not empty"):
        restore(filled_url, file)
    assert rows_of(filled_url) == before


def test_a_damaged_file_restores_nothing(filled_url: str, empty_database_url: str, tmp_path: Path) -> None:
    file = tmp_path / "backup"
    dump(filled_url, file)
    whole = file.read_bytes()
    file.write_bytes(whole[: len(whole) * 2 // 3])
    with pytest.raises(DumpError, match="could not be restored"):
        restore(empty_database_url, file)
    assert rows_of(empty_database_url) == {}


def test_what_cannot_be_written_is_said(filled_url: str, tmp_path: Path) -> None:
    with pytest.raises(DumpError, match="cannot be written"):
        dump(filled_url, tmp_path / "no such folder" / "backup")


@pytest.mark.parametrize("other", ["pg_dump", "not a dump"])
def test_what_is_no_backup_is_refused(empty_database_url: str, tmp_path: Path, other: str) -> None:
    file = tmp_path / "other"
    file.write_text(other)
    with pytest.raises(DumpError, match="could not be restored"):
        restore(empty_database_url, file)
    upgrade(empty_database_url)
