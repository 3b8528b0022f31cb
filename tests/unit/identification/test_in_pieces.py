"""What is too much at once is worked out in pieces, and comes out the same, or is bounded: no source but arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from service.domain.readings import Instrument, LobeKind
from service.identification.catalogue_table.table import build_table
from service.identification.entries.entry_lists import EntryLists
from service.identification.entries.entry_source import EntrySource
from service.identification.entries.slips import Hypothesis
from service.identification.likelihood import several_tools, shaft_integral
from service.identification.likelihood.nodes import tools_on_lobes, within_means
from service.identification.measuring.model import DEFAULT_MODEL
from service.identification.one_lobe import grids
from service.identification.posterior import weigh
from tests.benchmarks.callers import draw_caller
from tests.benchmarks.catalogues import fixture_catalogue
from tests.benchmarks.shafts import Supply
from tests.benchmarks.worlds import BASE
from tests.submissions import height, submission

CATALOGUE = fixture_catalogue()
TABLE = build_table(CATALOGUE)
SUPPLY = Supply(CATALOGUE, BASE, np.random.default_rng([7, 0]))


@pytest.mark.parametrize("at_once", [100, 50_000])
@pytest.mark.parametrize("caller", [0, 7, 10, 231])
def test_a_posterior_worked_out_in_pieces_is_the_same(
    caller: int, at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    # two of them (7, 231) read a lobe with two tools
    submission = draw_caller(SUPPLY, BASE, np.random.default_rng([7, 1, caller])).submission
    whole = weigh(TABLE, submission, DEFAULT_MODEL)
    for module in (grids, several_tools, shaft_integral):
        monkeypatch.setattr(module, "MOST_NUMBERS", at_once)
    pieces = weigh(TABLE, submission, DEFAULT_MODEL)
    assert pieces.rows.part.tolist() == whole.rows.part.tolist()
    assert np.abs(pieces.row_probability - whole.row_probability).max() < 1e-6


@pytest.mark.parametrize(("tools", "cylinders", "followed"), [(2, 2, 2), (3, 2, 3), (3, 4, 0)])
def test_the_zeros_of_many_tools_on_many_lobes_are_taken_as_scatter(tools: int, cylinders: int, followed: int) -> None:
    several = (Instrument.DIGITAL_CALIPER, Instrument.DIAL_CALIPER, Instrument.OUTSIDE_MICROMETER)[:tools]
    readings = [
        height("1.2090", lobe=lobe, cylinder=cylinder, instrument=tool)
        for cylinder in range(1, cylinders + 1)
        for lobe in LobeKind
        for tool in several
    ]
    source = EntrySource(submission(*readings), DEFAULT_MODEL, frozenset())
    hypotheses = EntryLists.holding([source.of(Hypothesis(None, "", 0.0), 1.0)])
    assert len(tools_on_lobes(within_means(hypotheses, 3, DEFAULT_MODEL))) == followed
