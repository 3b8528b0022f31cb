"""Tables that no lobe can have made are refused, and the row at fault is named."""

import numpy as np
import pytest

from service.domain.readings import Degrees
from service.lobe.cleaning import clean
from service.lobe.lift_table import MOST_ROWS, BadTable, RawTable
from tests.unit.lobe.lobes import Lobe, polynomial

LOBE = Lobe(polynomial, 7.9, 76, 76)
AT = np.arange(0, 360, 2.0)
LIFT = LOBE.at(AT - 180)


def refusal(at, lift, **options):
    with pytest.raises(BadTable) as refused:
        clean(RawTable(np.asarray(at, float), np.asarray(lift, float), **options))
    (fault,) = refused.value.faults
    return fault.pointer, fault.detail


def test_too_few_points():
    pointer, detail = refusal(AT[::18], LIFT[::18])
    assert pointer == "/table/9"
    assert "at least 12" in detail


def test_the_same_few_angles_again_and_again():
    assert "different angles" in refusal(np.tile(AT[::30], 4), np.tile(LIFT[::30], 4))[1]


def test_a_million_points():
    pointer, detail = refusal(np.zeros(1_000_000), np.zeros(1_000_000))
    assert pointer == f"/table/{MOST_ROWS}"
    assert "at most" in detail


@pytest.mark.parametrize("wrong", [np.nan, np.inf, -np.inf])
def test_an_angle_or_a_lift_that_is_no_number(wrong):
    at, lift = AT.copy(), LIFT.copy()
    at[7] = wrong
    assert refusal(at, LIFT)[0] == "/table/7/0"
    lift[9] = wrong
    assert refusal(AT, lift)[0] == "/table/9/1"


def test_a_table_without_a_base_circle():
    near = np.abs(AT - 180) < 60
    pointer, detail = refusal(AT[near], LIFT[near])
    assert pointer.startswith("/table/")
    assert "base circle" in detail


def test_a_lift_that_never_comes_back():
    pointer, detail = refusal(AT[AT <= 190], LIFT[AT <= 190])
    assert pointer == f"/table/{np.sum(AT <= 190) - 1}/1"
    assert "never comes back" in detail


def test_two_noses():
    both = LIFT + Lobe(polynomial, 6.5, 60, 60).at(AT - 330)
    pointer, detail = refusal(AT, both)
    assert "second nose" in detail
    assert abs(AT[int(pointer.split("/")[2])] - 330) <= 4


def test_lifts_below_the_base_circle():
    sunk = LIFT.copy()
    sunk[10:30] = -1.0
    pointer, detail = refusal(AT, sunk)
    assert "below the base circle" in detail
    assert pointer == "/table/10/1"


def test_a_unit_that_makes_a_lobe_of_two_hundred_millimetres():
    pointer, detail = refusal(AT, LIFT * 25.4)
    assert pointer == "/table/90/1"
    assert "unit" in detail


def test_a_unit_that_makes_hardly_a_lobe():
    assert "unit" in refusal(AT, LIFT / 25.4)[1]


def test_a_gap_on_the_lobe():
    kept = (AT < 150) | (AT > 176)
    pointer, detail = refusal(AT[kept], LIFT[kept])
    assert "gap" in detail
    assert AT[kept][int(pointer.split("/")[2])] == 148


def test_angles_many_turns_away():
    far = AT.copy()
    far[3] = 1e9
    assert refusal(far, LIFT)[0] == "/table/3/0"


def test_crank_degrees_taken_for_cam_degrees_wrap_the_lobe_onto_itself():
    assert "lobe" in refusal(AT * 2, LIFT)[1]
    clean(RawTable(AT * 2, LIFT, Degrees.CRANK))


def test_refusals_are_put_under_the_lobe_they_belong_to():
    with pytest.raises(BadTable) as refused:
        clean(RawTable(AT[:3], LIFT[:3]))
    assert refused.value.under("/lobes/1").faults[0].pointer == "/lobes/1/table/2"
