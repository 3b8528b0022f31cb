"""The benchmark's comparison with no cuts, against what must be so whatever the engine does.

Where some cells of a distribution are left out and the rest scaled up, no sum of cells moves by more than what was left
out: arithmetic, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from service.identification import posterior
from service.identification.catalogue_table.table import LOBES, build_table
from service.identification.entries.slips import hypotheses
from service.identification.measuring.model import DEFAULT_MODEL
from tests.benchmarks.callers import draw_caller
from tests.benchmarks.catalogues import grown_catalogue
from tests.benchmarks.let_go import let_go, only
from tests.benchmarks.shafts import Supply
from tests.benchmarks.stages import STEPS, identify_watched
from tests.benchmarks.worlds import BASE

CATALOGUE = grown_catalogue(50)
TABLE = build_table(CATALOGUE)
SUPPLY = Supply(CATALOGUE, BASE, np.random.default_rng([7, 0]))


@pytest.mark.parametrize("number", [3, 8])
@pytest.mark.parametrize("long_shot", [1.0, 16.0])
def test_no_probability_moves_by_more_than_is_lost(
    number: int, long_shot: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    submission = draw_caller(SUPPLY, BASE, np.random.default_rng([7, 2, number])).submission
    monkeypatch.setattr(posterior, "_LONG_SHOT", long_shot)
    found = let_go(TABLE, submission, DEFAULT_MODEL)
    assert 0 < found.cells_left < found.cells
    assert found.leader_moved <= found.most_moved
    # the grids go by what is there, and give the rest
    assert found.most_moved <= found.lost + 1e-5
    # whatever one cut takes is taken with all of them
    assert max(found.lost_to.values()) <= found.lost + 1e-12
    assert found.lost > 1e-3 if long_shot < 2 else found.lost < 1e-2


def test_the_steps_count_what_the_engine_works_on() -> None:
    submission = draw_caller(SUPPLY, BASE, np.random.default_rng([7, 2, 3])).submission
    slips = hypotheses(submission, DEFAULT_MODEL, {}, tuple(LOBES))
    seen = identify_watched(TABLE, submission)
    assert seen.counts["slips reckoned with"] == len(slips)
    assert seen.counts["cores looked at"] == len(TABLE.core_codes)
    assert 0 < seen.counts["parts looked at"] <= len(TABLE.part_numbers)
    assert 0 < seen.counts["slips weighed exactly"] <= seen.counts["slips kept by the screen"] <= len(slips)
    assert set(seen.own_ms) == set(STEPS)


def test_nothing_is_lost_where_nothing_is_let_go() -> None:
    submission = draw_caller(SUPPLY, BASE, np.random.default_rng([7, 2, 3])).submission
    with only(()):
        found = let_go(TABLE, submission, DEFAULT_MODEL, each=False)
    assert found.cells_left == found.cells
    assert found.lost == 0
    assert found.most_moved == 0
