"""Look-alike maps: kept with the revision, worked out anew by the worker under another version, served as kept."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from uuid import uuid4

import psycopg

from service.adapters.postgres.pool import PostgresStores
from service.domain.readings import Instrument
from service.identification.engine import ENGINE_VERSION
from service.identification.learning.calibration import Refit, with_factors
from service.identification.look_alikes.look_alike_map import DEFAULT_KIT, Kit
from service.identification.measuring.model import DEFAULT_MODEL
from service.serving.worker import chores_of
from service.settings import Settings
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.catalogue.look_alike_maps import LookAlikeMap, map_look_alikes
from service.workflows.identifying.snapshot import CatalogueSnapshot
from service.workflows.learning.calibrate import use_version
from service.workflows.ports.engine import NewVersion
from tests.catalogues import indistinct_pairs
from tests.integration.test_catalogue_store import invented

NOW = 0.0
"""Seconds between two looks at which revision and version are in use."""


def kept(database: psycopg.Connection[Any]) -> list[tuple[int, str, int]]:
    """(revision, version, pairs) of every map."""
    return database.execute(
        "SELECT catalogue_revision, engine_version, jsonb_array_length(pairs) FROM look_alike_maps ORDER BY 1, 2"
    ).fetchall()


def refitted(stores: PostgresStores) -> str:
    """A version whose callers are twice as unsteady, in use."""
    model = with_factors(DEFAULT_MODEL, {"scatter": 2.0})
    version = NewVersion(model, (Refit("scatter", 2.0, 0.1),), 1, (uuid4(),), 14, 7, 1.0, 0.9, "tests")
    with stores.transaction() as transaction:
        name = transaction.engine_versions.add(version)
    use_version(stores, name, "tests")
    return name


def test_an_import_keeps_the_map_that_it_reports(stores: PostgresStores, database: psycopg.Connection[Any]) -> None:
    report = import_catalogue(stores, invented(), who="tests", why="")

    assert report.look_alikes == indistinct_pairs(invented())
    assert kept(database) == [(1, ENGINE_VERSION, len(report.look_alikes))]
    with stores.transaction() as transaction:
        assert transaction.look_alikes.find(1, ENGINE_VERSION) == report.look_alikes
        assert transaction.look_alikes.find(1, "another") is None


def test_the_worker_makes_a_map_that_is_not_there_once(
    stores: PostgresStores, database: psycopg.Connection[Any]
) -> None:
    (chore,) = (one for one in chores_of(stores, Settings()) if one.name == "map_look_alikes")
    assert chore.do() == 0
    import_catalogue(stores, invented(), who="tests", why="")
    before = kept(database)
    database.execute("DELETE FROM look_alike_maps")

    assert [chore.do(), chore.do()] == [1, 0]
    assert kept(database) == before


def test_another_version_of_the_engine_has_another_map(
    stores: PostgresStores, database: psycopg.Connection[Any]
) -> None:
    under_code = import_catalogue(stores, invented(), who="tests", why="").look_alikes
    version = f"{ENGINE_VERSION}+{refitted(stores)}"
    snapshot = CatalogueSnapshot(recheck_seconds=NOW)

    assert map_look_alikes(stores, snapshot) == 1

    ((revision, named, pairs),) = kept(database)
    assert (revision, named) == (1, version)
    assert pairs > len(under_code)
    assert len(import_catalogue(stores, invented(), who="tests", why="again").look_alikes) == pairs


def test_what_is_kept_is_what_is_served(stores: PostgresStores, database: psycopg.Connection[Any]) -> None:
    import_catalogue(stores, invented(), who="tests", why="")
    database.execute("UPDATE look_alike_maps SET pairs = jsonb_build_array(pairs -> 0)")
    look_alikes = LookAlikeMap(CatalogueSnapshot())

    assert look_alikes.of(stores, 1, DEFAULT_KIT).pairs == indistinct_pairs(invented())[:1]
    # another kit is worked out, and so is the usual one where it is not kept
    assert len(look_alikes.of(stores, 1, Kit(frozenset({Instrument.OUTSIDE_MICROMETER}))).pairs) > 100
    database.execute("DELETE FROM look_alike_maps")
    assert look_alikes.of(stores, 1, DEFAULT_KIT).pairs == indistinct_pairs(invented())[:1]  # held
    again = LookAlikeMap(CatalogueSnapshot())
    assert again.of(stores, 1, DEFAULT_KIT).pairs == indistinct_pairs(invented())


def test_a_revision_that_is_no_longer_active_can_still_be_asked_about(stores: PostgresStores) -> None:
    import_catalogue(stores, invented(), who="tests", why="")
    titled = replace(invented().parts[0], title="Another title")
    import_catalogue(stores, replace(invented(), parts=(titled, *invented().parts[1:])), who="tests", why="again")
    look_alikes = LookAlikeMap(CatalogueSnapshot())

    finer = Kit(frozenset({Instrument.OUTSIDE_MICROMETER}))
    assert look_alikes.of(stores, 1, finer) == look_alikes.of(stores, 2, finer)
    part = look_alikes.of(stores, 1).pairs[0].part_number
    assert all(part in (one.part_number, one.other) for one in look_alikes.about(stores, 1, frozenset({part})))
