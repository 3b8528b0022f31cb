"""What the engine leaves unworked to be quick may not matter: its answers are those of a far more patient one."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from service.domain.arrays import Floats
from service.domain.catalogue import Catalogue
from service.domain.identification import Slip
from service.identification import posterior
from service.identification.catalogue_table.table import build_table
from service.identification.engine import identify
from service.identification.likelihood import nodes
from service.identification.measuring.model import DEFAULT_MODEL
from service.identification.posterior import weigh
from service.identification.shortlist import alike_cores, screening, strangers
from service.web.api.submissions.schemas import SubmissionSchema
from tests.benchmarks.callers import draw_caller
from tests.benchmarks.catalogues import fixture_catalogue, grown_catalogue
from tests.benchmarks.shafts import Supply
from tests.benchmarks.worlds import BASE, WORLDS, World

SAMPLE = Path(__file__).parents[3] / "fixtures" / "sample_submission.json"

UNBOUNDED = {(nodes, "_MOST_WORK"): float("inf"), (nodes, "_MOST_NODES"): float("inf")}
"""More rows would ask for so much work that zeros were no longer followed one by one."""
PATIENCE = (
    UNBOUNDED
    | {
        (posterior, "_LONG_SHOT"): 30.0,
        (posterior, "_UNLIKELY_HAND"): 30.0,
        (strangers, "_AS_GOOD"): 14.0,
        (alike_cores, "_FEW"): float("inf"),
        (strangers, "_CORE_CUT"): 30.0,
    }
    | {(screening, name): cut for name, cut in (("_ROW_CUT", 40.0), ("_SLIP_CUT", 22.0), ("_CORE_CUT", 20.0))}
)


def most_moved(
    catalogue: Catalogue, callers: Sequence[int], patch: pytest.MonkeyPatch, *, seed: int = 7, world: World = BASE
) -> Floats:
    """The most that any part's probability is moved by what is let go, for each of `callers` (invented)."""
    table = build_table(catalogue)
    supply = Supply(catalogue, world, np.random.default_rng([seed, 0]))
    found = []
    for caller in callers:
        submission = draw_caller(supply, world, np.random.default_rng([seed, 2, caller])).submission
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
    assert most_moved(grown_catalogue(2_000), [142, 20, 23, 51, 199], monkeypatch).max() < 1e-3


def test_no_part_is_let_go_that_only_a_rough_hand_can_have_read(monkeypatch: pytest.MonkeyPatch) -> None:
    rough = WORLDS["everything_doubled"]
    assert most_moved(fixture_catalogue(), [116], monkeypatch, seed=11).max() < 1e-3
    assert most_moved(fixture_catalogue(), [20, 130, 163, 198], monkeypatch, seed=12, world=rough).max() < 2e-3


def test_a_core_may_stand_for_others_that_no_reading_tells_from_it(monkeypatch: pytest.MonkeyPatch) -> None:
    # 400 cores, and callers who read no journal: how alike cores are that stand for each other is all that differs
    catalogue = grown_catalogue(10_000)
    for (module, name), cut in PATIENCE.items():
        monkeypatch.setattr(module, name, cut)
    table, supply = build_table(catalogue), Supply(catalogue, BASE, np.random.default_rng([7, 0]))
    for caller in (13, 33, 58):
        submission = draw_caller(supply, BASE, np.random.default_rng([7, 2, caller])).submission
        each = weigh(table, submission, DEFAULT_MODEL)
        with monkeypatch.context() as patched:
            patched.setattr(alike_cores, "_FEW", 250)
            found = weigh(table, submission, DEFAULT_MODEL)
        assert found.rows.size < 0.95 * each.rows.size
        classes = len(table.class_numbers) + 1
        several = [np.bincount(one.row_class + 1, one.row_probability, classes) for one in (found, each)]
        assert np.abs(several[0] - several[1]).max() < 3e-4


@pytest.mark.long
def test_what_is_let_go_moves_no_answer_in_a_large_catalogue(monkeypatch: pytest.MonkeyPatch) -> None:
    moved = most_moved(grown_catalogue(10_000), range(200), monkeypatch)
    assert moved.max() < 1e-3
    assert np.quantile(moved, 0.9) < 5e-5


def test_a_part_is_not_let_go_for_what_only_seemed_to_fit() -> None:
    # Invented: a digit of one repeat misheard. At a rough look a shaft nobody sells, a hundredth as large, fits best by
    # so much that the part is let go for it; worked out it fits far worse.
    body = {
        "source": "web",
        "unit": "in",
        "instrument": "outside_micrometer",
        "experience": "practised",
        "counts": {"gear_teeth": 46},
        "readings": [
            {"feature": "journal_diameter", "position": "front", "values": ["1.6828"]},
            {"feature": "lobe_height", "lobe": "intake", "cylinder": 1, "values": ["1.6201", "1.6604"]},
            {"feature": "base_circle", "lobe": "intake", "cylinder": 1, "values": ["1.3716", "1.3714"]},
            {"feature": "lobe_height", "lobe": "intake", "cylinder": 2, "values": ["1.6208", "1.6208"]},
            {
                "feature": "base_circle",
                "lobe": "intake",
                "cylinder": 2,
                "values": ["1.3709", "1.3708", "1.3706", "1.3708"],
            },
        ],
    }
    found = identify(build_table(grown_catalogue(250)), SubmissionSchema().load(body))

    assert found.candidates[0].part_number == "DZW-WMH"
    assert found.candidates[0].probability > 0.99
    assert [slip.slip for slip in found.suspected_slips] == [Slip.DIGITS_SWAPPED]


def test_what_is_let_go_moves_no_evidence_of_a_sure_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    # a part that is all but certain is weighed against shafts that nobody sells, which must not be let go for that
    table = build_table(fixture_catalogue())
    sample = SubmissionSchema().load(json.loads(SAMPLE.read_text(encoding="utf-8")))

    def bits() -> dict[str, float]:
        leader = identify(table, sample).candidates[0]
        assert leader.probability > 0.999
        return {row.pointer: row.bits for row in leader.evidence}

    quick = bits()
    for (module, name), cut in PATIENCE.items():
        monkeypatch.setattr(module, name, cut)
    assert quick == pytest.approx(bits(), abs=0.02)
