"""What is said of a bench's measuring: lengths at 20 °C, overdue instruments, zeros that moved."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from uuid import UUID

import numpy as np
import pytest
from uncertainties import ufloat

from service.documents.bench_words import overdue
from service.domain.bench import (
    EXPANSION_PER_K,
    EXPANSION_SD_PER_K,
    SCALE_PER_K,
    TEMPERATURE_SD_C,
    Calibration,
    MeasuringInstrument,
    Metal,
    ScaleUnit,
    Used,
    to_reference,
)
from service.domain.readings import Instrument, Written
from service.identification.bench.zero_drift import drift_allowed
from service.identification.measuring.model import DEFAULT_MODEL

INCH = 25.4
DUE = date(2031, 7, 4)


def micrometer(due_on: date | None = DUE) -> MeasuringInstrument:
    calibration = None if due_on is None else Calibration(due_on - timedelta(365), due_on, "a laboratory")
    return MeasuringInstrument(
        UUID(int=1), "M-1", "77", Instrument.OUTSIDE_MICROMETER, Decimal("0.0001"), ScaleUnit.INCH, calibration, False
    )


def test_warm_iron_under_a_cool_scale_is_as_much_shorter_at_20_degrees_as_handbooks_say() -> None:
    # grey cast iron 6.0e-6 per degree Fahrenheit (engineering tables): 30 mm over 8 K is 2.592 um, to first order
    found = to_reference(20, 28, Metal.CAST_IRON).per_mm * 30 * 1000

    assert found == pytest.approx(-2.592, abs=0.001)


def test_a_steel_journal_measured_warm_is_read_as_much_large_as_handbooks_say() -> None:
    # steel 11.5e-6 per K (Swyt, J. Res. NIST 99 (1994) 31): 2.5 in over 10 K is 0.00029 in; 50 mm is 5.75 um
    warm = to_reference(20, 30, Metal.STEEL).per_mm

    assert round(-warm * 2.5, 5) == 0.00029
    assert -warm * 50 * 1000 == pytest.approx(5.75, abs=0.001)


def test_what_is_as_warm_as_its_steel_scale_needs_next_to_no_correction() -> None:
    equal = to_reference(28, 28, Metal.CAST_IRON)

    assert equal.per_mm * 38 * 1000 == pytest.approx(0.213, abs=0.001)
    assert not equal.matters(38, 0.001)
    assert to_reference(28, 28, Metal.STEEL).per_mm == 0


def test_the_correction_is_that_of_the_end_gauge_in_jcgm_100() -> None:
    # JCGM 100, H.1, (H.1): d = l (1 + a theta) - l_s (1 + a_s theta_s); with d = 0 and l_s what is read, l is ours
    a, theta, theta_s = EXPANSION_PER_K[Metal.CAST_IRON], 11.0, 2.0
    read = 50.0

    length = read * (1 + to_reference(20 + theta_s, 20 + theta, Metal.CAST_IRON).per_mm)

    assert length * (1 + a * theta) - read * (1 + SCALE_PER_K * theta_s) == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize("metal", Metal)
def test_the_correction_s_uncertainty_is_what_another_library_propagates(metal: Metal) -> None:
    scale, shaft = ufloat(23.0, TEMPERATURE_SD_C), ufloat(35.0, TEMPERATURE_SD_C)
    scale_a, shaft_a = (ufloat(a, EXPANSION_SD_PER_K) for a in (SCALE_PER_K, EXPANSION_PER_K[metal]))
    by_library = (1 + scale_a * (scale - 20)) / (1 + shaft_a * (shaft - 20)) - 1

    found = to_reference(23, 35, metal)

    assert found.per_mm == pytest.approx(by_library.nominal_value, rel=1e-9)
    assert found.sd_per_mm == pytest.approx(by_library.std_dev, rel=1e-3)


def test_a_correction_matters_from_half_a_step_of_the_instrument() -> None:
    warm = to_reference(20, 30, Metal.STEEL)

    assert warm.matters(30, 0.0025)
    assert not warm.matters(30, 0.01)


@pytest.mark.parametrize(("days", "late"), [(-1, False), (0, False), (1, True)])
def test_an_instrument_may_be_used_up_to_and_with_the_day_it_is_due(days: int, *, late: bool) -> None:
    assert micrometer().overdue(DUE + timedelta(days)) is late


def test_an_instrument_that_was_never_calibrated_is_overdue_and_its_words_say_which_it_is() -> None:
    assert micrometer(None).overdue(DUE)
    assert overdue(micrometer(None), DUE).startswith("M-1 (outside micrometer, serial 77) has no calibration")
    assert "ran out on 2031-07-04, 1 day before" in overdue(micrometer(), DUE + timedelta(1))


def test_the_drift_is_what_the_zero_was_after_less_what_it_was_before() -> None:
    used = Used(UUID(int=1), Written.parse("0.0002"), Written.parse("-0.0001"))

    assert used.drift == Decimal("-0.0003")
    assert Used(UUID(int=1), Written.parse("0.0002")).drift is None


@pytest.mark.parametrize("instrument", [Instrument.OUTSIDE_MICROMETER, Instrument.DIGITAL_CALIPER])
def test_two_checks_of_a_steady_tool_differ_by_more_than_is_allowed_less_than_once_in_twenty(
    instrument: Instrument,
) -> None:
    # JCGM 100, G.1.3: a coverage factor of 2 holds about 95 %; drawn here, hand's scatter and rounding and all
    tool, rng = DEFAULT_MODEL.tools[instrument], np.random.default_rng(6)
    zero = rng.uniform(-1, 1, 200_000)[:, None]
    read = zero + rng.normal(0, tool.scatter, (200_000, 2))
    read = np.round(read / tool.step_mm) * tool.step_mm

    beyond = np.mean(np.abs(read[:, 1] - read[:, 0]) > drift_allowed(instrument, tool.step_mm, DEFAULT_MODEL))

    assert 0.01 < beyond < 0.05
