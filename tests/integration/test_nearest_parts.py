"""The benchmark's searches for the nearest parts, against distances taken one by one."""

from __future__ import annotations

import numpy as np
import psycopg
import pytest

from service.identification.catalogue_table.table import build_table
from service.identification.measuring.model import DEFAULT_MODEL
from tests.benchmarks.callers import draw_caller
from tests.benchmarks.catalogues import grown_catalogue
from tests.benchmarks.nearest import NEAREST, Indexed, Trees, point, points
from tests.benchmarks.shafts import Supply
from tests.benchmarks.worlds import BASE


def test_an_index_and_a_tree_find_the_parts_that_are_nearest_one_by_one(database_url: str) -> None:
    catalogue = grown_catalogue(2_000)
    table = build_table(catalogue)
    supply = Supply(catalogue, BASE, np.random.default_rng([5, 0]))
    callers = [draw_caller(supply, BASE, np.random.default_rng([5, 2, number])) for number in range(30)]
    asked = [point(caller.submission, DEFAULT_MODEL) for caller in callers]
    every = points(table)
    trees = Trees(table, asked)
    sides = {tuple(np.isfinite(at)) for at in asked}
    assert len(sides) > 5  # some of them unread
    with psycopg.connect(database_url, autocommit=True) as connection:
        indexed = Indexed(connection, table)
        for at in asked:
            away = np.sqrt(np.nansum((every - at) ** 2, axis=1))
            nearest = np.sort(away)[:NEAREST]
            # parts lie equally far: which of them is shown is free, how far they are is not
            assert away[trees.nearest(at)] == pytest.approx(nearest)
            assert np.sort(away[indexed.nearest(at)]) == pytest.approx(nearest, abs=1e-3)
            assert "Index Scan using part_points_at" in indexed.plan(at)


def test_a_caller_who_holds_a_part_reads_near_its_point() -> None:
    catalogue = grown_catalogue(250)
    table = build_table(catalogue)
    supply = Supply(catalogue, BASE, np.random.default_rng([5, 0]))
    place = {number: at for at, number in enumerate(table.part_numbers)}
    away = []
    for number in range(200):
        caller = draw_caller(supply, BASE, np.random.default_rng([5, 2, number]))
        if (
            caller.shaft.origin.part_number
            and not caller.mistakes
            and not caller.misheard
            and not caller.shaft.undersize
        ):
            off = point(caller.submission, DEFAULT_MODEL) - points(table)[place[caller.shaft.origin.part_number]]
            away += off[np.isfinite(off)].tolist()
    # in what readings stray: a side that was taken for another, or in another unit, would be tens away
    assert len(away) > 300
    assert np.median(np.abs(away)) < 1.5
