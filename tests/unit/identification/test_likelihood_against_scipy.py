"""The likelihood's pieces against `scipy.stats`, whose functions share no code with ours."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from service.domain.catalogue import Catalogue, Core, Journal, LobeNominal, Part
from service.domain.readings import LobeKind, Position
from service.domain.units import LengthUnit
from service.identification.catalogue_table.rows import Kind, part_rows
from service.identification.catalogue_table.table import build_table
from service.identification.entries.entries import entry_of
from service.identification.likelihood.likelihood import log_likelihood
from service.identification.measuring.model import MeasuringModel
from service.identification.numerics.densities import log_emg, log_normal
from tests.submissions import base, height, journal, submission

SIZES = st.floats(-0.3, 0.3)
SPREADS = st.floats(0.003, 0.05)
TAILS = st.floats(0.002, 0.2)


@given(SIZES, SPREADS, TAILS)
def test_the_modified_normal_is_scipys_exponnorm(x: float, sd: float, tail: float) -> None:
    ours = float(log_emg(np.array(x), sd, tail, +1))
    assert ours == pytest.approx(stats.exponnorm.logpdf(x, tail / sd, scale=sd), abs=1e-6, rel=1e-9)


@given(SIZES, SPREADS, TAILS)
def test_its_mirror_image_has_its_tail_below(x: float, sd: float, tail: float) -> None:
    assert float(log_emg(np.array(x), sd, tail, -1)) == float(log_emg(np.array(-x), sd, tail, +1))


@pytest.mark.parametrize(
    ("x", "k", "expected"),
    [  # mpmath results in scipy's own tests (scipy/stats/tests/test_distributions.py, TestExponNorm)
        (1, 0.01, 0.24438994313247364),
        (-1, 0.01, 0.23955149623472075),
        (10, 1, 7.48518298877006e-05),
        (10, 10000, 9.990005048283775e-05),
    ],
)
def test_it_agrees_with_published_mpmath_values(x: float, k: float, expected: float) -> None:
    assert float(np.exp(log_emg(np.array(float(x)), 1.0, k, +1))) == pytest.approx(expected, rel=1e-9)


@given(SIZES, SPREADS)
def test_the_normal_is_scipys_normal(x: float, sd: float) -> None:
    assert float(log_normal(np.array(x), sd)) == pytest.approx(stats.norm.logpdf(x, scale=sd))


def _bare_model() -> MeasuringModel:
    """No one-sided error and no dirty zero, so that everything is normal."""
    tools = {tool: type(e)(e.zero_sd, e.scatter, e.step_inch, e.step_mm) for tool, e in MeasuringModel().tools.items()}
    return MeasuringModel(tools=tools, zero_bad_share=0.0, hand_levels=((1.0, 1.0),))


PART = Part(
    "ONE", "C", {LobeKind.INTAKE: LobeNominal(8.0, 21.8), LobeKind.EXHAUST: LobeNominal(8.2, 21.8)}, units_sold=1
)
CORE = Core("C", "a core", (Journal(Position.FRONT, 19.05), Journal(Position.REAR, 19.05)))


@settings(max_examples=25)
@given(
    st.lists(st.floats(-0.035, 0.035), min_size=6, max_size=6),
    st.booleans(),
)
def test_without_one_sided_errors_it_is_one_multivariate_normal(errors: list[float], repeated: bool) -> None:
    """Journals, bases and heights of one tool: making, the shared zero and the hand add up to one covariance."""
    model = _bare_model()
    truth = [19.05, 19.05, 29.8, 21.8, 30.0, 21.8]
    values = [t + e for t, e in zip(truth, errors, strict=True)]
    asked = submission(
        journal(f"{values[0]:.5f}", position=Position.FRONT),
        journal(f"{values[1]:.5f}", position=Position.REAR),
        height(*[f"{values[2]:.5f}"] * (3 if repeated else 1)),
        base(f"{values[3]:.5f}"),
        height(f"{values[4]:.5f}", lobe=LobeKind.EXHAUST),
        base(f"{values[5]:.5f}", lobe=LobeKind.EXHAUST),
        unit=LengthUnit.MILLIMETRE,
    )
    table = build_table(Catalogue((CORE,), (PART,)), model)
    entries = tuple(e for i, r in enumerate(asked.readings) if (e := entry_of(i, r, asked, model, 1.0)))
    rows = part_rows(table, np.array([0]), Kind.MADE, np.zeros(1))
    ours = float(log_likelihood(table, rows, [entries], model, wear=0.0)[0, 0])
    zero = entries[0].zero_sd ** 2
    covariance = np.full((6, 6), zero) + np.diag([e.sd**2 for e in entries])
    covariance[0, 0] += model.journal_making_sd**2
    covariance[1, 1] += model.journal_making_sd**2
    for h, b in ((2, 3), (4, 5)):
        covariance[h, h] += model.base_making_sd**2 + model.lift_making_sd**2
        covariance[b, b] += model.base_making_sd**2
        covariance[h, b] += model.base_making_sd**2
        covariance[b, h] += model.base_making_sd**2
    scipys = stats.multivariate_normal.logpdf([e.mean for e in entries], truth, covariance)
    own = sum(e.own_log for e in entries)
    assert ours - own == pytest.approx(scipys, abs=2e-3)
