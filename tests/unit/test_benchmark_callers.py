"""The benchmark's callers and its hand method do what is said of them: otherwise its figures mean nothing."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from service.domain.catalogue import Catalogue, Core, Journal, LobeNominal, Part, PartStatus
from service.domain.identification import Slip
from service.domain.readings import Feature, LobeKind, Position, Reading, Source, Submission, Written
from service.domain.units import LengthUnit
from service.identification.measuring.model import DEFAULT_MODEL
from tests.benchmarks.callers import Caller, draw_caller
from tests.benchmarks.ceiling import told_model
from tests.benchmarks.classes import classes_of
from tests.benchmarks.hand_method import HandMethod
from tests.benchmarks.shafts import Supply
from tests.benchmarks.worlds import BASE, WORLDS
from tests.benchmarks.writing import slip_decimal, swap_digits, write_lengths

INTAKE, EXHAUST = LobeKind.INTAKE, LobeKind.EXHAUST


def part(number: str, lift: float, core: str = "A", **more: object) -> Part:
    lobe = LobeNominal(lift_mm=lift, base_circle_mm=21.0)
    return Part(number, core, {INTAKE: lobe, EXHAUST: lobe}, units_sold=10, **more)  # type: ignore[arg-type]


CORES = (
    Core("A", "A", (Journal(Position.FRONT, 19.05),), ("A",), 28, 130.0),
    Core("B", "B", (Journal(Position.FRONT, 19.30),), ("B",), 30, 130.0),
)
CATALOGUE = Catalogue(
    CORES,
    (
        part("old", 7.0, status=PartStatus.SUPERSEDED, superseded_by="new"),
        part("new", 7.0),
        part("changed", 7.1, superseded_by="new"),
        part("twin", 7.0),
        part("other", 7.2, core="B"),
    ),
)


def callers(count: int, **changed: object) -> list[Caller]:
    world = replace(BASE, **changed)  # type: ignore[arg-type]
    supply = Supply(CATALOGUE, world, np.random.default_rng(1))
    return [draw_caller(supply, world, np.random.default_rng([2, i])) for i in range(count)]


def told(height: str, base: str, journal: str) -> Submission:
    def reading(feature: Feature, text: str, **of: object) -> Reading:
        return Reading(feature, (Written.parse(text),), **of)  # type: ignore[arg-type]

    readings = (
        reading(Feature.JOURNAL_DIAMETER, journal, position=Position.FRONT),
        reading(Feature.LOBE_HEIGHT, height, lobe=INTAKE),
        reading(Feature.BASE_CIRCLE, base, lobe=INTAKE),
    )
    return Submission(Source.PHONE, LengthUnit.MILLIMETRE, readings)


def test_a_superseded_number_and_its_successor_of_the_same_grind_are_one_answer_and_a_mere_twin_is_not() -> None:
    classes = classes_of(CATALOGUE)
    assert classes["old"] == classes["new"] == {"old", "new"}
    assert classes["changed"] == {"changed"}
    assert classes["twin"] == {"twin"}


def test_the_same_number_is_the_same_caller() -> None:
    assert callers(20) == callers(20)


def test_a_near_stranger_is_far_enough_from_every_grind_on_its_core() -> None:
    drawn = [c.shaft.origin for c in callers(60, stranger_share=1.0, near_share=1.0)]
    assert all(origin.is_near for origin in drawn)
    for origin in drawn:
        for rival in (p for p in CATALOGUE.parts if p.core == origin.core.code):
            gaps = [abs(lobe.lift_mm - rival.lobes[kind].lift_mm) for kind, lobe in origin.part.lobes.items()]
            assert max(gaps) >= 0.1524


def test_a_far_stranger_has_a_journal_no_core_of_ours_has() -> None:
    for caller in callers(60, stranger_share=1.0, near_share=0.0):
        front = caller.shaft.origin.core.journals[0].diameter_mm
        assert min(abs(front - core.journals[0].diameter_mm) for core in CORES) >= 0.1


def test_every_slip_of_the_trade_is_made() -> None:
    drawn = callers(500, slip_rates={slip: 8 * rate for slip, rate in BASE.slip_rates.items()})
    assert {mistake.slip for caller in drawn for mistake in caller.mistakes} == set(Slip)


def test_most_callers_make_no_slip() -> None:
    assert 0.02 < np.mean([bool(caller.mistakes) for caller in callers(400)]) < 0.2


def test_a_careful_caller_of_a_perfect_world_reads_the_nominal() -> None:
    caller = next(
        c
        for c in callers(50, stranger_share=0.0, regrind_share=0.0)
        if not c.mistakes and any(r.feature is Feature.LOBE_HEIGHT for r in c.submission.readings)
    )
    lobe = caller.shaft.origin.part.lobes
    for reading in caller.submission.readings:
        if reading.feature is Feature.LOBE_HEIGHT and reading.lobe is not None:
            size = caller.submission.unit.to_mm(reading.mean)
            assert size == pytest.approx(lobe[reading.lobe].height_mm, abs=0.4)


def test_lengths_are_written_to_the_tools_step_and_to_the_callers_digits() -> None:
    assert [str(w) for w in write_lengths([19.0423], 0.0127, LengthUnit.INCH)] == ["0.7495"]
    assert [str(w) for w in write_lengths([19.0711], 0.0127, LengthUnit.INCH, most=3)] == ["0.751"]
    assert [str(w) for w in write_lengths([19.0423], 0.02, LengthUnit.MILLIMETRE)] == ["19.04"]


def test_slips_of_the_pen_change_one_value_and_keep_its_digits() -> None:
    reading = Reading(Feature.LOBE_LIFT, (Written.parse("7.12"),), lobe=INTAKE)
    swapped = {str(swap_digits(reading, np.random.default_rng(i)).values[0]) for i in range(40)}  # type: ignore[union-attr]
    assert swapped == {"1.72", "7.21"}
    slipped = {slip_decimal(reading, np.random.default_rng(i)).values[0].value for i in range(40)}
    assert slipped == {Decimal("71.2"), Decimal("0.712")}


def test_the_hand_method_gates_by_journal_takes_the_nearest_lift_and_refuses_what_is_far() -> None:
    hand = HandMethod(CATALOGUE, classes_of(CATALOGUE))
    assert hand.answer(told("28.09", "21.00", "19.05")).part_number == "changed"
    assert hand.answer(told("28.20", "21.00", "19.30")).part_number == "other"
    assert hand.answer(told("28.40", "21.00", "19.05")).part_number is None
    assert hand.answer(told("28.10", "21.00", "19.17")).part_number is None


def test_the_hand_methods_confidence_is_the_gap_to_the_next_answer_not_to_the_same_one() -> None:
    hand = HandMethod(Catalogue(CORES, CATALOGUE.parts[:3]), classes_of(Catalogue(CORES, CATALOGUE.parts[:3])))
    answer = hand.answer(told("28.01", "21.00", "19.05"))
    assert answer.part_number in {"old", "new"}
    assert answer.gap_mm == pytest.approx(0.09 - 0.01)


@pytest.mark.parametrize("name", WORLDS)
def test_every_world_can_be_told_to_the_engine_and_is_none_of_the_engines_own(name: str) -> None:
    model = told_model(WORLDS[name])
    assert sum(share for _, share in model.hand_levels) == pytest.approx(1)
    assert model.lift_making_sd != DEFAULT_MODEL.lift_making_sd
    assert all(model.tools[tool].scatter > 0 for tool in WORLDS[name].tools)
