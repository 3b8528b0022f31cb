"""A revision as the engine reads it is made once and kept; every process reads what it would make, to the last bit."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import psycopg
import pytest

from service.adapters.postgres.pool import PostgresStores
from service.adapters.stored_table import read_table, stored_table
from service.catalogue_files import read_json
from service.domain.catalogue import Catalogue
from service.identification.catalogue_table.table import CatalogueTable, build_table
from service.identification.engine import ENGINE_VERSION
from service.identification.measuring.model import DEFAULT_MODEL
from service.serving.worker import chores_of
from service.settings import Settings
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.catalogue.revisions import restore_revision
from service.workflows.identifying.snapshot import CatalogueSnapshot
from tests.catalogues import catalogue, part, plain_lobe
from tests.integration.test_catalogue_store import invented

BARE = read_json(catalogue(parts=[part(part_number="A", lobes={"intake": plain_lobe("0.3130")})]))


def kept(database: psycopg.Connection[Any]) -> list[tuple[int, str, int]]:
    """(revision, version, members) of what is kept."""
    return database.execute(
        "SELECT catalogue_revision, engine_version, count(*) FROM engine_tables GROUP BY 1, 2 ORDER BY 1, 2"
    ).fetchall()


def assert_same(one: CatalogueTable, other: CatalogueTable) -> None:
    for field in fields(CatalogueTable):
        mine, theirs = getattr(one, field.name), getattr(other, field.name)
        if isinstance(mine, np.ndarray):
            assert (mine.dtype, mine.shape) == (theirs.dtype, theirs.shape), field.name
            assert mine.tobytes() == theirs.tobytes(), field.name
        else:
            assert (type(mine), mine) == (type(theirs), theirs), field.name


@pytest.mark.parametrize("whole", [invented(), BARE, Catalogue((), ())], ids=["invented", "bare", "empty"])
def test_a_table_comes_back_to_the_last_bit(whole: Catalogue) -> None:
    table = build_table(whole, DEFAULT_MODEL)

    assert_same(read_table(stored_table(table)), table)


def test_an_import_keeps_the_table_that_every_process_then_reads(
    stores: PostgresStores, database: psycopg.Connection[Any]
) -> None:
    import_catalogue(stores, invented(), who="tests", why="")
    assert kept(database) == [(1, ENGINE_VERSION, len(fields(CatalogueTable)))]
    assert_same(CatalogueSnapshot().now(stores).table, build_table(invented(), DEFAULT_MODEL))

    database.execute("""UPDATE engine_tables SET value = '["K"]' WHERE name = 'core_codes'""")
    assert CatalogueSnapshot().now(stores).table.core_codes == ("K",)
    database.execute("UPDATE engine_tables SET table_form = 0")  # of a release that made others
    assert_same(CatalogueSnapshot().now(stores).table, build_table(invented(), DEFAULT_MODEL))


def test_the_worker_keeps_a_table_that_no_import_made_and_forgets_other_revisions(
    stores: PostgresStores, database: psycopg.Connection[Any]
) -> None:
    (chore,) = (one for one in chores_of(stores, Settings()) if one.name == "keep_engine_table")
    assert chore.do() == 0
    import_catalogue(stores, BARE, who="tests", why="")
    import_catalogue(stores, invented(), who="tests", why="")
    with stores.transaction() as transaction:
        restore_revision(transaction, 1, who="tests", why="")
    assert [row[0] for row in kept(database)] == [2]

    assert [chore.do(), chore.do()] == [1, 0]

    assert kept(database) == [(3, ENGINE_VERSION, len(fields(CatalogueTable)))]
    assert_same(CatalogueSnapshot().now(stores).table, build_table(BARE, DEFAULT_MODEL))
