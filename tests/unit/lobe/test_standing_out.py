"""Lobes unlike the others of their kind: found when they are, and next to never when they are not."""

import math

import numpy as np
import pytest
from scipy import stats
from uncertainties import ufloat

from service.documents.lift_table_words import odd_lobe_words
from service.domain.readings import LobeKind
from service.domain.units import LengthUnit
from service.identification.bench.condition import Compared, OddLobe, odd_lobes
from service.identification.measuring.model import DEFAULT_MODEL
from service.lobe.analysis import LobeTable, TableSheet, analyse
from service.lobe.figures import Figure
from service.lobe.lift_table import RawTable
from service.lobe.standing_out import Standout, standing_out
from tests.unit.lobe.lobes import INCH, Lobe, bench_table, polynomial


def group(*values, sd=1.0):
    return {number: Figure(value, sd) for number, value in enumerate(values, 1)}


def test_one_that_is_far_off_is_named_with_its_difference_from_the_mean_of_the_rest():
    (found,) = standing_out({1: Figure(10, 1), 2: Figure(11, 2), 3: Figure(0, 1.5), 4: Figure(10.5, 1)})

    rest = [ufloat(10, 1), ufloat(11, 2), ufloat(10.5, 1)]
    mean = sum(x / x.s**2 for x in rest) / sum(1 / x.s**2 for x in rest)
    expected = ufloat(0, 1.5) - mean  # another library's propagation
    assert (found.number, found.others) == (3, (1, 2, 4))
    assert found.difference.value == pytest.approx(expected.n)
    assert found.difference.sd == pytest.approx(expected.s)


def test_a_far_one_does_not_make_its_neighbours_look_odd():
    assert [each.number for each in standing_out(group(0, 0.3, -0.2, 40))] == [4]


def test_two_odd_ones_are_both_named():
    assert sorted(each.number for each in standing_out(group(0, 0.1, 20, 0.2, -0.1, 25))) == [3, 6]


def test_of_two_the_later_is_named_beyond_the_normal_quantile_of_one_difference():
    limit = stats.norm.ppf(0.995) * math.sqrt(2)

    assert standing_out(group(0, 0.999 * limit)) == ()
    (found,) = standing_out(group(0, 1.001 * limit))
    assert (found.number, found.others) == (2, (1,))


def test_a_single_lobe_stands_out_from_nothing():
    assert standing_out(group(3)) == ()
    assert standing_out({}) == ()


@pytest.mark.parametrize("lobes", [2, 4, 8])
def test_of_groups_that_are_all_alike_about_one_in_a_hundred_has_a_lobe_named(lobes):
    rng = np.random.default_rng(lobes)
    draws = 6_000
    named = sum(bool(standing_out(group(*rng.normal(0, 1, lobes)))) for _ in range(draws))

    # Bonferroni's share is an upper bound, and near it for lobes so little dependent; three standard errors about it
    assert 0.006 - 3 * math.sqrt(0.006 / draws) < named / draws < 0.01 + 3 * math.sqrt(0.01 / draws)


def sheet(lifts_mm, bases_mm, *, seed=3):
    rng = np.random.default_rng(seed)
    tables = []
    for number, (lift, base) in enumerate(zip(lifts_mm, bases_mm, strict=True), 1):
        at, read, _ = bench_table(Lobe(polynomial, lift, 78, 78), rng)
        tables.append(LobeTable(LobeKind.INTAKE, RawTable(at, read), number, base))
    return analyse(TableSheet(tuple(tables)))


def test_a_worn_lobe_of_four_is_found_on_bench_tables_and_nothing_else_is():
    worn = 0.006 * INCH
    (found,) = odd_lobes(sheet([7.92, 7.92, 7.92 - worn, 7.92], [22.0, 22.01, 22.0, 21.99]), DEFAULT_MODEL)

    assert (found.kind, found.by, found.standout.number) == (LobeKind.INTAKE, Compared.LIFT, 3)
    assert found.standout.difference.value == pytest.approx(-worn, abs=3 * found.standout.difference.sd)


def test_a_lobe_ground_smaller_is_found_by_its_base_circle():
    (found,) = odd_lobes(sheet([7.92] * 3, [22.0, 21.7, 22.0]), DEFAULT_MODEL)

    assert (found.by, found.standout.number) == (Compared.BASE_CIRCLE, 2)
    assert found.standout.difference.value == pytest.approx(-0.3)


def test_lobes_that_are_alike_are_not_spoken_of():
    assert odd_lobes(sheet([7.92, 7.93, 7.91], [22.0, 22.02, 21.98]), DEFAULT_MODEL) == ()


def test_intake_lobes_are_not_held_against_exhaust_lobes():
    rng = np.random.default_rng(1)
    tables = []
    for kind, lift in ((LobeKind.INTAKE, 7.0), (LobeKind.EXHAUST, 8.5)):
        at, read, _ = bench_table(Lobe(polynomial, lift, 78, 78), rng)
        tables.append(LobeTable(kind, RawTable(at, read), 1, 22.0))

    assert odd_lobes(analyse(TableSheet(tuple(tables))), DEFAULT_MODEL) == ()


@pytest.mark.parametrize(
    ("by", "difference", "others", "words"),
    [
        (Compared.LIFT, -0.1, (1, 2, 4), "lifts 0.100 ± 0.040 mm less than the others of its kind"),
        (Compared.LIFT, 0.1, (1,), "lifts 0.100 ± 0.040 mm more than the intake lobe of cylinder 1"),
        (Compared.BASE_CIRCLE, -0.1, (1, 2), "has a base circle 0.100 ± 0.040 mm smaller than that of the others"),
    ],
)
def test_the_words_say_which_lobe_by_how_much_and_leave_the_verdict_to_people(by, difference, others, words):
    odd = OddLobe(LobeKind.INTAKE, by, Standout(3, others, Figure(difference, 0.02)))

    said = odd_lobe_words(odd, LengthUnit.MILLIMETRE)

    assert said.startswith("The intake lobe of cylinder 3 ")
    assert words in said
    assert "qualified person" in said
    assert ("do not say which" in said) is (len(others) == 1)
