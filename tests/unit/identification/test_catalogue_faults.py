"""Faults of the catalogue: false alarms as rare as stated, a planted one found, the arithmetic against scipy's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from service.domain.catalogue import Catalogue, PartStatus
from service.domain.readings import Condition, Feature, Instrument, LobeKind, Position
from service.domain.units import LengthUnit
from service.identification.learning import catalogue_faults, nominal_sights
from service.identification.learning.catalogue_faults import Verdict, find_faults
from service.identification.learning.nominal_shifts import GRID, Component, Law, Seen, benjamini_hochberg, shift_of
from service.identification.learning.nominal_sights import KnownShaft, MeasuredLift
from service.identification.measuring.model import DEFAULT_MODEL
from tests.benchmarks.catalogues import grown_catalogue
from tests.labelled_callers import submission_about
from tests.submissions import base, height, journal, reading, submission

MM = LengthUnit.MILLIMETRE
PLAIN = replace(DEFAULT_MODEL, slip_priors={}, regrind_prior=0.0)
"""The model of callers who make no slips, of shafts that were never reground: as `labelled_callers` draws them."""


@pytest.fixture(scope="module")
def printed() -> Catalogue:
    """Two cores and their grinds."""
    return grown_catalogue(30)


def shafts_of(catalogue: Catalogue, count: int, rng: np.random.Generator) -> list[KnownShaft]:
    """Confirmed shafts as they are made and measured, by the model's own statement of itself."""
    cores = {core.code: core for core in catalogue.cores}
    parts = [part for part in catalogue.parts if len(part.lobes) == 2][:12]
    found = []
    for n in range(count):
        part = parts[rng.integers(len(parts))]
        said = submission_about(part, cores[part.core], PLAIN, rng, practised=bool(rng.random() < 0.5))
        found.append(KnownShaft(str(n), part.part_number, said))
    return found


def with_lift(catalogue: Catalogue, number: str, away_mm: float) -> Catalogue:
    """The catalogue with one intake lift printed so far off."""
    parts = []
    for part in catalogue.parts:
        if part.part_number == number:
            lobe = part.lobes[LobeKind.INTAKE]
            lobes = part.lobes | {LobeKind.INTAKE: replace(lobe, lift_mm=lobe.lift_mm + away_mm)}
            part = replace(part, lobes=lobes)
        parts.append(part)
    return replace(catalogue, parts=tuple(parts))


def test_the_law_of_one_reading_is_scipy_s_exponentially_modified_normal() -> None:
    law = Law((Component(1.0, 0.01, 0.02, (0.03,)),))
    step = GRID[1] - GRID[0]
    # SciPy's reference: exponnorm with K = mean of the exponential over the normal's standard deviation
    expected = stats.exponnorm(1.5, loc=0.01, scale=0.02)
    assert np.allclose(law.density / step, expected.pdf(GRID), atol=0.02)
    assert law.median == pytest.approx(expected.median(), abs=2e-4)
    mirrored = Law((Component(1.0, -0.01, 0.02, (-0.03,)),))
    assert mirrored.median == pytest.approx(-expected.median(), abs=2e-4)


def test_a_p_value_is_the_share_of_right_prints_that_look_as_odd() -> None:
    rng = np.random.default_rng(5)
    law = Law((Component(0.7, 0.004, 0.02, (-0.02, -0.01)), Component(0.3, 0.0, 0.04, (-0.02,))), wild=0.05)
    seen_p = []
    for _ in range(800):
        each = []
        for _ in range(4):
            first = rng.random() < 0.7
            r = rng.normal(0.004 if first else 0.0, 0.02 if first else 0.04) - rng.exponential(0.02)
            r -= rng.exponential(0.01) if first else 0.0
            if rng.random() < 0.05:
                r = rng.choice((-9.0, 9.0))
            each.append(Seen(float(r), law))
        seen_p.append(shift_of(each).p_value)
    for level in (0.5, 0.2, 0.05, 0.01):
        share = np.mean(np.array(seen_p) <= level)
        assert share == pytest.approx(level, abs=3.5 * np.sqrt(level * (1 - level) / len(seen_p)))


def test_an_estimate_and_its_uncertainty_are_those_of_a_mean_where_all_is_normal() -> None:
    law = Law((Component(1.0, 0.0, 0.02),))
    away = [0.10, 0.11, 0.09, 0.10]
    found = shift_of([Seen(a, law) for a in away])
    assert found.estimate == pytest.approx(np.mean(away), abs=1e-3)
    # clipped at 2.5 standard deviations it is 0.98 as efficient as the mean where all is normal (from memory)
    assert found.standard_uncertainty == pytest.approx(0.02 / 2 / np.sqrt(0.98), rel=0.03)
    doubtful = shift_of([Seen(a, law, allowance=0.03) for a in away])
    assert doubtful.standard_uncertainty == pytest.approx(np.hypot(found.standard_uncertainty, 0.03 / np.sqrt(3)))
    assert doubtful.p_value > found.p_value


def test_p_values_are_adjusted_as_scipy_adjusts_them_and_as_published() -> None:
    # The fifteen p-values of the worked example in Benjamini and Hochberg (1995), section 3.2: at 0.05 the procedure
    # rejects the four smallest (from memory).
    published = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
                 0.6528, 0.7590, 1.0]  # fmt: skip
    adjusted = benjamini_hochberg(published)
    assert sum(p <= 0.05 for p in adjusted) == 4
    shuffled = np.random.default_rng(1).permutation(published)
    assert benjamini_hochberg(shuffled.tolist()) == pytest.approx(stats.false_discovery_control(shuffled))
    assert benjamini_hochberg([]) == ()


def test_right_prints_are_called_wrong_no_more_often_than_stated(
    printed: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Without the allowance for the constants the p-values are to be uniform; with it they only become larger.
    monkeypatch.setattr(nominal_sights, "ALLOWED_SHARE", 0.0)
    rng = np.random.default_rng(11)
    desks = [find_faults(printed, shafts_of(printed, 60, rng), PLAIN) for _ in range(10)]
    p = np.array([one.shift.p_value for desk in desks for one in desk.findings if one.adjusted is not None])
    assert p.size > 400
    for level in (0.5, 0.2, 0.05):
        # a shaft's readings share its tool, so the p-values are not quite independent: five standard errors
        assert np.mean(p <= level) == pytest.approx(level, abs=5 * np.sqrt(level * (1 - level) / p.size))
    alarms = sum(any(one.verdict is Verdict.LIKELY_WRONG for one in desk.findings) for desk in desks)
    assert alarms <= stats.binom.ppf(0.999, len(desks), catalogue_faults.FALSE_SHARE)


def test_a_lift_printed_0_004_in_off_is_found_and_nothing_else_is(printed: Catalogue) -> None:
    rng = np.random.default_rng(3)
    shafts = shafts_of(printed, 180, rng)
    number = shafts[0].part_number
    off_mm = 0.004 * 25.4
    report = find_faults(with_lift(printed, number, off_mm), shafts, DEFAULT_MODEL)

    (found,) = [one for one in report.findings if one.verdict is Verdict.LIKELY_WRONG]

    assert found is report.findings[0]
    assert (found.target.part_number, found.target.lobe) == (number, LobeKind.INTAKE)
    assert found.target.feature is Feature.LOBE_LIFT
    assert found.shift.estimate == pytest.approx(-off_mm, abs=3 * found.shift.standard_uncertainty)
    assert found.shift.standard_uncertainty < off_mm / 4
    assert found.larger == 0
    assert len(found.witnesses) >= catalogue_faults.LEAST_SHAFTS
    assert {one.case for one in found.witnesses} <= {shaft.case for shaft in shafts if shaft.part_number == number}


def test_worn_noses_are_no_fault_of_the_print(printed: Catalogue) -> None:
    part = printed.parts[0]
    lobe = part.lobes[LobeKind.INTAKE]
    worn = 0.03
    widths = height(f"{lobe.height_mm - worn:.3f}"), base(f"{lobe.base_circle_mm:.3f}")
    said = [
        submission(*widths, unit=MM, condition=condition, instrument=Instrument.BENCH)
        for condition in (Condition.USED, Condition.NEW)
    ]
    used, new = (
        find_faults(printed, [KnownShaft(str(n), part.part_number, one) for n in range(6)], DEFAULT_MODEL)
        for one in said
    )
    verdicts = [
        {one.verdict for one in report.findings if one.target.feature is Feature.LOBE_LIFT} for report in (used, new)
    ]
    assert verdicts == [{Verdict.NO_SIGN}, {Verdict.LIKELY_WRONG}]


def test_a_zero_check_takes_a_tool_s_zero_out_of_the_journals(printed: Catalogue) -> None:
    part = printed.parts[0]
    (front,) = [j for c in printed.cores if c.code == part.core for j in c.journals if j.position is Position.FRONT]
    off = front.diameter_mm + 0.03
    plain = submission(journal(f"{off:.2f}"), unit=MM)
    checked = submission(journal(f"{off:.2f}"), reading("zero_check", *["0.03"] * 5), unit=MM)
    corrected = [
        find_faults(printed, [KnownShaft("1", part.part_number, said)], DEFAULT_MODEL).findings[0].witnesses[0]
        for said in (plain, checked)
    ]
    assert corrected[0].corrected_mm - corrected[1].corrected_mm == pytest.approx(0.022, abs=0.008)
    assert corrected[1].sd_mm < corrected[0].sd_mm


def test_few_shafts_prove_nothing_and_unknown_parts_are_counted(printed: Catalogue) -> None:
    part = printed.parts[0]
    said = submission(height("30.00"), base("20.00"), unit=MM)
    shafts = [KnownShaft("1", part.part_number, said), KnownShaft("2", "GONE", said)]
    report = find_faults(printed, shafts, DEFAULT_MODEL)
    assert (report.shafts, report.left_out, report.looked_at) == (1, 1, 0)
    assert {one.verdict for one in report.findings} == {Verdict.TOO_FEW}
    assert all(one.adjusted is None for one in report.findings)
    assert find_faults(printed, [], DEFAULT_MODEL).findings == ()


def test_a_bench_s_lift_table_outweighs_a_caliper_and_an_old_number_speaks_for_its_successor(
    printed: Catalogue,
) -> None:
    part = next(one for one in printed.parts if one.superseded_by is None and len(one.lobes) == 2)
    old = replace(part, part_number="OLD-1", status=PartStatus.SUPERSEDED, superseded_by=part.part_number)
    lobe = part.lobes[LobeKind.INTAKE]
    said = submission(height(f"{lobe.height_mm:.2f}"), base(f"{lobe.base_circle_mm:.2f}"), unit=MM)
    shaft = KnownShaft("1", "OLD-1", said, (MeasuredLift(LobeKind.INTAKE, lobe.lift_mm + 0.2, 0.003),))
    report = find_faults(replace(printed, parts=(*printed.parts, old)), [shaft], DEFAULT_MODEL)
    (lift,) = [one for one in report.findings if one.target.feature is Feature.LOBE_LIFT]
    assert lift.target.part_number == part.part_number
    assert lift.witnesses[0].instrument == "bench"
    assert lift.witnesses[0].measured_mm == pytest.approx(lobe.lift_mm + 0.2)
