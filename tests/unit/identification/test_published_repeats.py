"""Repeat statistics, rounding and combined uncertainty against published values.

Sources, by abbreviation:

* NIST StRD: Statistical Reference Datasets, univariate summary statistics, certified values (Mavro, Michelso, NumAcc).
* JCGM 100: Guide to the expression of uncertainty in measurement. Its document was not to hand: the examples H.1 and
  H.5 are as two national laboratories quote them in their public code (MSLNZ/GTC, sandialabs/suncal); the data and
  results of 4.4.3 and 4.4.5 are from memory, and recomputing the data does give the recalled results.
* Willink: R. Willink, On the uncertainty of the mean of digitized measurements, Metrologia 44 (2007) 73, as the tests
  of MSLNZ/GTC quote it.
"""

import math
from decimal import Decimal

import GTC
import pytest

from service.domain.units import MM_PER_INCH, LengthUnit
from service.identification.measuring.combination import combined_standard_uncertainty
from service.identification.measuring.model import rounding_variance_of_mean
from service.identification.measuring.repeats import pooled_variance, repeat_statistics


def decimals(text: str) -> list[Decimal]:
    return [Decimal(word) for word in text.split()]


# NIST StRD

MAVRO = [
    2 + k / 100_000
    for k in decimals(
        """180 170 180 190 180 170 150 140 150 150 170 180 180 190 190 210 200 160 140 130 130 150 150 160 150
        140 130 140 150 140 150 160 150 160 190 200 200 210 220 230 240 250 270 260 260 260 270 260 250 240"""
    )
]
MICHELSO = [
    299 + k / 100
    for k in decimals(
        """85 74 90 107 93 85 95 98 98 88 100 98 93 65 76 81 100 100 96 96 96 94 96 94 88 80 85 88 90 84 83 79 81 88
        88 83 80 79 76 80 88 88 88 86 72 72 62 86 97 95 88 91 85 87 84 84 85 84 84 84 89 81 81 82 80 77 76 74 75 76
        91 92 89 86 88 72 84 85 85 78 89 84 78 81 76 81 79 81 82 85 87 87 81 74 81 94 95 80 81 87"""
    )
]


def numacc(centre: str) -> list[Decimal]:
    """1001 values: the centre, then a tenth below and above it by turns."""
    middle, tenth = Decimal(centre), Decimal("0.1")
    return [middle] + [middle - tenth, middle + tenth] * 500


@pytest.mark.parametrize(
    ("values", "n", "mean", "sd"),
    [
        pytest.param(MAVRO, 50, "2.00185600000000", "0.000429123454003053", id="Mavro"),
        pytest.param(MICHELSO, 100, "299.852400000000", "0.0790105478190518", id="Michelso"),
        pytest.param(decimals("10000001 10000003 10000002"), 3, "10000002", "1", id="NumAcc1"),
        pytest.param(numacc("1.2"), 1001, "1.2", "0.1", id="NumAcc2"),
        pytest.param(numacc("1000000.2"), 1001, "1000000.2", "0.1", id="NumAcc3"),
        pytest.param(numacc("10000000.2"), 1001, "10000000.2", "0.1", id="NumAcc4"),
    ],
)
def test_repeats_have_the_certified_mean_and_standard_deviation(values, n, mean, sd):
    seen = repeat_statistics(values)
    assert seen.n == n
    assert seen.mean == Decimal(mean)
    assert abs(seen.sd - Decimal(sd)) <= Decimal(sd) * Decimal("1e-14")  # the certified values have 15 digits


# JCGM 100


def test_the_twenty_temperatures_of_the_guide():
    # JCGM 100, 4.4.3 (data and results from memory): mean 100.145, s 1.489, s of the mean 0.333 degrees
    seen = repeat_statistics(
        decimals(
            """96.90 98.18 98.25 98.61 99.03 99.49 99.56 99.74 99.89 100.07
            100.33 100.42 100.68 100.95 101.11 101.20 101.57 101.84 102.36 102.72"""
        )
    )
    assert float(seen.mean) == pytest.approx(100.145, abs=5e-4)
    assert float(seen.sd) == pytest.approx(1.489, abs=5e-4)
    assert seen.sd_of_mean == pytest.approx(0.333, abs=5e-4)


def test_a_rectangle_of_half_width_four_has_the_guides_spread():
    # JCGM 100, 4.4.5 (from memory): a rectangle from 96 to 104 has u = 4 / sqrt(3) = 2.3; a rounding step is its width
    assert math.sqrt(rounding_variance_of_mean(8.0, 0.0, 1)) == pytest.approx(2.309, abs=5e-4)


def test_a_resolution_has_the_guides_spread():
    # JCGM 100, F.2.2.1: u = 0.29 of the step
    assert math.sqrt(rounding_variance_of_mean(1.0, 0.0, 1)) == pytest.approx(0.288675, abs=5e-7)


def test_the_end_gauge_of_the_guide_adds_up():
    # JCGM 100, H.1: shares in nm 25, 9.7, 2.9, 16.6 make 32 (unrounded 31.66); the 9.7 is itself 5.8, 3.9 and 6.7
    assert combined_standard_uncertainty([5.8, 3.9, 6.7]) == pytest.approx(9.7, abs=0.05)
    shares = [25.0, combined_standard_uncertainty([5.8, 3.9, 6.7]), 2.887, 16.599, 0.0, 0.0]
    assert combined_standard_uncertainty(shares) == pytest.approx(31.664, abs=0.01)


def test_the_daily_means_of_the_guide():
    # JCGM 100, H.5: ten daily means in volts and their standard deviations in microvolts, five readings a day
    daily = decimals(
        """10.000172 10.000116 10.000013 10.000144 10.000106
        10.000031 10.000060 10.000125 10.000163 10.000041"""
    )
    within = [60, 77, 111, 101, 67, 93, 80, 73, 88, 86]
    seen = repeat_statistics(daily)
    assert float(seen.mean) == pytest.approx(10.000097, abs=5e-7)
    assert float(seen.sd) * 1e6 == pytest.approx(57, abs=0.5)
    pooled = pooled_variance((sd**2, 4) for sd in within)
    assert math.sqrt(pooled) == pytest.approx(85, abs=0.5)
    assert 5 * (float(seen.sd) * 1e6) ** 2 / pooled == pytest.approx(2.25, abs=0.02)  # the guide's F


def test_three_operators_scatters_pool_as_in_a_handbook():
    # D. Kazmer, Injection Mold Design Engineering (Hanser), chapter 14: three operators, ten readings each, one
    # micrometer; standard deviations 0.0023, 0.0016, 0.0063 mm. The pooled value is computed here, not printed there.
    assert math.sqrt(pooled_variance((sd**2, 9) for sd in (0.0023, 0.0016, 0.0063))) == pytest.approx(0.00398, abs=5e-6)


# S. Vardeman and E. VanValkenburg, 1999 (Two-way random-effects analyses and gauge R&R studies, Technometrics 41, 202:
# title from memory); data as in the R package qualityTools: three trials in rows, five operators in columns, for each
# of two parts.
GAUGE_STUDY = (
    """3.481 3.448 3.485 3.475 3.472
    3.477 3.472 3.464 3.472 3.470
    3.470 3.470 3.477 3.473 3.474""",
    """3.258 3.254 3.256 3.249 3.241
    3.254 3.247 3.257 3.238 3.250
    3.258 3.239 3.245 3.240 3.254""",
)


def test_a_gauge_studys_repeatability():
    # mean square of error 5.11667e-5, repeatability 0.0071531 (computed from the data, not printed)
    cells = []
    for part in GAUGE_STUDY:
        trials = [decimals(row) for row in part.splitlines()]
        cells += [repeat_statistics(by_one_operator) for by_one_operator in zip(*trials, strict=True)]
    pooled = pooled_variance((float(cell.sd) ** 2, cell.n - 1) for cell in cells)
    assert pooled == pytest.approx(5.11667e-5, rel=1e-6)
    assert math.sqrt(pooled) == pytest.approx(0.0071531, abs=5e-8)


@pytest.mark.parametrize(("digits", "half"), [(0, 5), (6, 50), (10, 500)])
def test_generated_data_whatever_their_offset(digits, half):
    # M. G. Cox and P. M. Harris, Analytica Chimica Acta 380 (1999) 339: x = mu + 10^q - h i for i = -N..N has the mean
    # mu + 10^q and the standard deviation h sqrt((N + 1/2)(N + 1) / 3)
    centre, h = Decimal("2.5") + 10**digits, Decimal("0.125")
    seen = repeat_statistics([centre - h * i for i in range(-half, half + 1)])
    assert seen.mean == centre
    assert float(seen.sd) == pytest.approx(0.125 * math.sqrt((half + 0.5) * (half + 1) / 3), rel=1e-14)


def test_a_published_micrometer_budget_adds_up():
    # A published calibration guide's micrometer at 21.500 mm: s 0.00058 of 3, step 0.001, gauge block 0.0005 / 2
    shares = [0.00058 / math.sqrt(3), math.sqrt(rounding_variance_of_mean(0.001, 0.0, 1)), 0.0005 / 2]
    assert shares == pytest.approx([0.00033, 0.00029, 0.00025], abs=5e-6)
    assert combined_standard_uncertainty(shares) == pytest.approx(0.00051, abs=1e-5)


# Willink

THREE_VALUES = decimals("-.0056 -.0055 -.0056 -.0056 -.0056 -.0057 -.0057 -.0056 -.0056 -.0057 -.0057")
TWO_VALUES = decimals("-.0056 -.0056 -.0056 -.0056 -.0056 -.0057 -.0057 -.0056 -.0056 -.0057 -.0057")


@pytest.mark.parametrize(
    ("values", "mean", "u"), [(THREE_VALUES, -0.00562727, 1.94978e-5), (TWO_VALUES, -0.00563636, 1.52120e-5)]
)
def test_digitised_readings_that_scatter(values, mean, u):
    seen = repeat_statistics(values)
    assert float(seen.mean) == pytest.approx(mean, abs=5e-9)
    assert seen.sd_of_mean == pytest.approx(u, rel=1e-5)
    theirs = GTC.type_a.estimate_digitized([float(v) for v in values], 1e-4)
    assert seen.sd_of_mean == pytest.approx(theirs.u, rel=1e-9)


def test_eleven_identical_digitised_readings_leave_the_whole_rounding():
    # Willink: u = step / sqrt(12), however many there are
    assert math.sqrt(rounding_variance_of_mean(1e-4, 0.0, 11)) == pytest.approx(2.88675e-5, rel=1e-5)


# Units


def test_an_inch_is_exactly_25_4_mm():
    # International yard and pound agreement of 1959: the yard is 0.9144 m
    assert Decimal("0.9144") * 1000 / 36 == MM_PER_INCH
    assert LengthUnit.INCH.to_mm(Decimal("0.7500")) == 19.05
    assert LengthUnit.INCH.from_mm(25.4) == 1.0


def test_the_printed_pairs_of_a_manual_agree_with_the_inch():
    # US Army TM 5-3805-260-24, p. 1-11: lobe lifts .3071 (7.800) and .3077 in (7.816 mm), journal 2.5000 (63.500)
    for inches, millimetres in (("0.3071", 7.800), ("0.3077", 7.816), ("2.5000", 63.500)):
        assert LengthUnit.INCH.to_mm(Decimal(inches)) == pytest.approx(millimetres, abs=0.0006)
