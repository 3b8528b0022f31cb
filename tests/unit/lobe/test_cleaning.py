"""A table however it was taken comes out as the same lobe, and everything put right is said with its size."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.documents.lift_table_words import shape_words
from service.domain.readings import Degrees, LobeKind
from service.lobe.analysis import LobeTable, TableSheet, analyse
from service.lobe.cleaning import CorrectionKind, clean
from service.lobe.figures import duration_figures, lift_figure, lobe_figures
from service.lobe.lift_table import RawTable
from service.lobe.spikes import CROWD, crowded
from tests.unit.lobe.lobes import INCH, Lobe, bench_table, harmonic, polynomial, ramped

LOBE = Lobe(ramped, 7.9, 82, 82)
AT = np.arange(0, 360, 2.0)
NOISE = np.random.default_rng(5).normal(0, 0.0127, AT.size)
READ = LOBE.at(AT - 143.2) + NOISE
PLAIN = lobe_figures(clean(RawTable(AT, READ)).curve)


def correction(table, kind):
    found = [c for c in table.corrections if c.kind is kind]
    return found[0] if found else None


def same_lobe(table, other=PLAIN, angle_sign=1):
    figures = lobe_figures(table.curve)
    assert figures.lift.value == pytest.approx(other.lift.value, abs=1e-6)
    assert figures.durations[4].crank_deg.value == pytest.approx(other.durations[4].crank_deg.value, abs=1e-5)
    assert (figures.centre.value - angle_sign * other.centre.value) % 360 == pytest.approx(0, abs=1e-5) or (
        figures.centre.value - angle_sign * other.centre.value
    ) % 360 == pytest.approx(360, abs=1e-5)


def test_any_order_of_rows_gives_the_same_lobe():
    order = np.random.default_rng(1).permutation(AT.size)
    same_lobe(clean(RawTable(AT[order], READ[order])))


@pytest.mark.parametrize("start", [0, 40, 100, 163])
def test_a_table_may_begin_anywhere_and_wrap_around(start):
    at = np.roll(AT, -start)
    at = np.where(at < at[0], at + 360, at)
    same_lobe(clean(RawTable(at, np.roll(READ, -start))))
    same_lobe(clean(RawTable(np.where(at > 180, at - 360, at), np.roll(READ, -start))))


def test_crank_degrees_are_halved():
    same_lobe(clean(RawTable(AT * 2, READ, Degrees.CRANK)))


def test_a_shaft_turned_the_other_way_is_the_mirrored_lobe():
    uneven = Lobe(polynomial, 7.9, 76, 86)
    read = uneven.at(AT - 143.2) + NOISE
    forwards = lobe_figures(clean(RawTable(AT, read)).curve)
    backwards = lobe_figures(clean(RawTable(AT, read, rising=False)).curve)
    assert backwards.asymmetry.value == pytest.approx(-forwards.asymmetry.value, abs=1e-4)
    assert forwards.asymmetry.value > 2 * forwards.asymmetry.sd > 0
    table = clean(RawTable(AT, read, rising=False))
    assert table.raw.own_angle(backwards.centre.value) == pytest.approx(forwards.centre.value, abs=1e-4)


def test_a_partial_table_about_the_lobe_will_do():
    near = np.abs(AT - 143.2) < 105
    figures = lobe_figures(clean(RawTable(AT[near], READ[near])).curve)
    assert figures.lift.value == pytest.approx(7.9, abs=4 * figures.lift.sd)


def test_a_gap_on_the_base_circle_will_do():
    kept = (AT < 250) | (AT > 330)
    figures = lobe_figures(clean(RawTable(AT[kept], READ[kept])).curve)
    assert figures.lift.value == pytest.approx(7.9, abs=4 * figures.lift.sd)


def test_runout_is_found_with_its_size_and_taken_off():
    table = clean(RawTable(AT, READ + 0.1 * np.cos(np.radians(AT - 30))))
    runout = correction(table, CorrectionKind.RUNOUT)
    assert runout.size_mm == pytest.approx(0.2, abs=4 * runout.sd_mm)
    same_lobe(table)


def test_an_indicator_not_zeroed_is_found_with_its_size():
    table = clean(RawTable(AT, READ + 2.5))
    assert correction(table, CorrectionKind.ZERO).size_mm == pytest.approx(2.5, abs=0.02)
    same_lobe(table)


def test_a_zero_that_drifts_is_found_with_its_size():
    at = np.append(AT, 360.0)
    read = np.append(READ, READ[0]) + np.linspace(0, 0.15, at.size)
    table = clean(RawTable(at, read))
    drift = correction(table, CorrectionKind.ZERO_DRIFT)
    assert drift.size_mm == pytest.approx(0.15, abs=4 * drift.sd_mm)
    assert lift_figure(table.curve).value == pytest.approx(7.9, abs=4 * lift_figure(table.curve).sd)


def test_no_drift_is_claimed_where_there_is_none():
    assert correction(clean(RawTable(AT, READ)), CorrectionKind.ZERO_DRIFT) is None


def test_a_decompressors_bump_is_left_out_and_said():
    bump = 0.9 * np.exp(-(((AT - 290) / 5) ** 2))
    table = clean(RawTable(AT, READ + bump))
    found = correction(table, CorrectionKind.BUMP)
    assert found.size_mm == pytest.approx(0.9, abs=0.05)
    assert {AT[row] for row in found.rows} >= {286, 288, 290, 292, 294}
    assert lift_figure(table.curve).value == pytest.approx(7.9, abs=4 * lift_figure(table.curve).sd)


@pytest.mark.parametrize("row", [5, 50, 62, 71, 80, 95, 140])
@pytest.mark.parametrize("size", [0.12, -0.5, 2.0])
def test_one_wild_reading_is_left_out_and_named(row, size):
    read = READ.copy()
    read[row] += size
    table = clean(RawTable(AT, read))
    spikes = correction(table, CorrectionKind.SPIKE)
    assert row in spikes.rows
    assert spikes.size_mm == pytest.approx(size, abs=0.06)
    assert lift_figure(table.curve).value == pytest.approx(PLAIN.lift.value, abs=0.01)


def test_a_clean_table_loses_no_reading():
    assert correction(clean(RawTable(AT, READ)), CorrectionKind.SPIKE) is None
    exact = np.round(LOBE.at(AT - 143.2) / INCH, 4) * INCH
    assert correction(clean(RawTable(AT, exact)), CorrectionKind.SPIKE) is None


def test_an_angle_read_again_is_counted_and_its_disagreement_said():
    table = clean(RawTable(np.append(AT, 60.0), np.append(READ, READ[30] + 0.03)))
    repeated = correction(table, CorrectionKind.REPEATED_ANGLE)
    assert repeated.size_mm == pytest.approx(0.03)
    assert repeated.rows == (30, 180)


def test_the_raw_table_is_kept_as_it_came():
    at, read = AT.copy(), READ + 1.0
    table = clean(RawTable(at, read))
    assert np.array_equal(table.raw.lift_mm, READ + 1.0)
    assert np.array_equal(table.raw.angle_deg, AT)


@settings(max_examples=25)
@given(
    step=st.sampled_from([1.0, 2.0, 3.0, 4.0, 5.0]),
    nose=st.floats(0, 360),
    seed=st.integers(0, 10**6),
    lift=st.floats(4, 12),
    opening=st.floats(70, 95),
    closing=st.floats(70, 95),
)
def test_whatever_the_step_and_the_lobe_the_truth_is_near(step, nose, seed, lift, opening, closing):
    lobe = Lobe(ramped, lift, opening, closing)
    at, read, _ = bench_table(lobe, np.random.default_rng(seed), nose_deg=nose, step_deg=step)
    curve = clean(RawTable(at, read)).curve
    found, (duration,) = lift_figure(curve), duration_figures(curve, (1.27,))
    assert found.value == pytest.approx(lift, abs=6 * found.sd)
    assert duration.crank_deg.value == pytest.approx(lobe.duration(1.27), abs=6 * duration.crank_deg.sd)


@pytest.mark.parametrize("row", [45, 58, 66, 90, 102])
def test_two_wild_readings_side_by_side_are_left_out_too(row):
    read = READ.copy()
    read[row : row + 2] -= 0.8
    table = clean(RawTable(AT, read))
    assert {row, row + 1} <= set(correction(table, CorrectionKind.SPIKE).rows)
    assert lift_figure(table.curve).value == pytest.approx(PLAIN.lift.value, abs=0.01)


@pytest.mark.parametrize("seed", range(6))
def test_wild_readings_side_by_side_are_found_and_their_good_neighbours_let_back_in(seed):
    """Three on a flank, two of them neighbours and opposed: each hides the other, and good ones are left out first."""
    lobe = Lobe(harmonic, 7.92, 80, 80)
    read = lobe.at(AT - 23.9) + np.random.default_rng(seed).normal(0, 0.0127, AT.size)
    read[[168, 171, 172]] += [0.707, -0.488, 0.556]

    table = clean(RawTable(AT, read))

    assert correction(table, CorrectionKind.SPIKE).rows == (168, 171, 172)
    assert lift_figure(table.curve).value == pytest.approx(lobe.lift_mm, abs=0.02)


def test_where_many_readings_close_together_were_left_out_it_is_said_that_the_figures_may_be_off():
    read = READ.copy()
    read[[50, 52, 54, 56, 58]] += [0.9, 0.8, 0.9, 0.7, 0.9]
    (lobe,) = analyse(TableSheet((LobeTable(LobeKind.INTAKE, RawTable(AT, read)),))).lobes

    assert len(correction(lobe.table, CorrectionKind.SPIKE).rows) >= CROWD
    assert any("Read that part of the lobe again" in words for words in shape_words(lobe))


@pytest.mark.parametrize(
    ("angles", "together"),
    [
        ([10, 12, 14, 16], True),
        ([352, 356, 0, 4, 8], True),
        ([10, 12, 14], False),
        ([0, 40, 80, 120, 160], False),
    ],
)
def test_readings_left_out_are_crowded_where_four_lie_within_twenty_degrees(angles, together):
    assert crowded(np.array(angles, float), np.ones(len(angles), bool)) is together


def test_two_wild_readings_with_a_good_one_between_do_not_have_good_neighbours_left_out():
    lobe, nose = Lobe(polynomial, 7.92, 78, 78), 260.27
    at, lift, _ = bench_table(lobe, np.random.default_rng(41), nose_deg=nose, spikes=0.0)
    lift[[126, 128]] += 0.57, 0.34
    found = clean(RawTable(at, lift))
    assert set(np.flatnonzero(~found.used)) == {126, 128}
    assert abs(lift_figure(found.curve).value - lobe.lift_mm) < 0.03
