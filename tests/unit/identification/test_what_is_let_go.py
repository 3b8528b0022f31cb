"""What the engine leaves unworked to be quick may not matter: its answers are those of a far more patient one."""

from __future__ import annotations

import numpy as np
import pytest

from service.identification import nodes, posterior, screening, strangers
from service.identification.measuring import DEFAULT_MODEL
from service.identification.posterior import weigh
from service.identification.table import Floats, build_table
from tests.benchmarks.callers import draw_caller
from tests.benchmarks.catalogues import grown_catalogue
from tests.benchmarks.shafts import Supply
from tests.benchmarks.worlds import BASE

UNBOUNDED = {(nodes, "_MOST_WORK"): float("inf"), (nodes, "_MOST_NODES"): float("inf")}
"""More rows would ask for so much work that zeros were no longer followed one by one."""
PATIENCE = (
    UNBOUNDED
    | {(posterior, "_LONG_SHOT"): 30.0, (strangers, "_AS_GOOD"): 12.0, (strangers, "_CORE_CUT"): 30.0}
    | {(screening, name): cut for name, cut in (("_ROW_CUT", 30.0), ("_SLIP_CUT", 22.0), ("_CORE_CUT", 20.0))}
)


def most_moved(parts: int, callers: list[int], patch: pytest.MonkeyPatch) -> Floats:
    """The most that any part's probability is moved by what is let go, for each of `callers` (invented)."""
    catalogue = grown_catalogue(parts)
    table = build_table(catalogue)
    supply = Supply(catalogue, BASE, np.random.default_rng([7, 0]))
    found = []
    for caller in callers:
        submission = draw_caller(supply, BASE, np.random.default_rng([7, 2, caller])).submission
        several = []
        for patient in (False, True):
            with patch.context() as patched:
                for (module, name), cut in PATIENCE.items() if patient else ():
                    patched.setattr(module, name, cut)
                told = weigh(table, submission, DEFAULT_MODEL)
            several.append(np.bincount(told.row_class + 1, told.row_probability, len(table.class_numbers) + 1))
        found.append(float(np.abs(several[0] - several[1]).max()))
    return np.array(found)


def test_what_is_let_go_moves_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    # two cylinders that disagree with each other, a shaft nobody sells under a slip, and a few like any other
    assert most_moved(2_000, [142, 20, 23, 51, 199], monkeypatch).max() < 1e-3


@pytest.mark.long
def test_what_is_let_go_moves_no_answer_in_a_large_catalogue(monkeypatch: pytest.MonkeyPatch) -> None:
    moved = most_moved(10_000, list(range(200)), monkeypatch)
    assert moved.max() < 1e-3
    assert np.quantile(moved, 0.9) < 1e-5
