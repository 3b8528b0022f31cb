"""What an identification says, on small catalogues made for the purpose (invented)."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.catalogue import (
    Catalogue,
    Core,
    FollowerKind,
    Journal,
    LiftTable,
    LobeNominal,
    Part,
    PartStatus,
    StatedDuration,
)
from service.domain.identification import AnswerState, Identification, Slip
from service.domain.readings import (
    Condition,
    Experience,
    Feature,
    Instrument,
    LobeKind,
    Marking,
    Position,
    Reading,
    Submission,
    Written,
)
from service.domain.units import LengthUnit
from service.identification.catalogue_table.table import build_table
from service.identification.engine import identify
from tests.submissions import CALIPER, base, event, height, journal, reading, submission

INCH = 25.4


def core(code: str, journal_in: float, teeth: int = 28, family: str = "Amber") -> Core:
    journals = tuple(Journal(p, journal_in * INCH) for p in (Position.FRONT, Position.REAR))
    return Core(code, f"core {code}", journals, (family,), teeth, 130.0)


def part(
    number: str, on: str, lift_in: float, base_in: float, *, crank_deg: float | None = None, **said: object
) -> Part:
    durations = () if crank_deg is None else (StatedDuration(1.27, crank_deg),)
    lobe = LobeNominal(lift_in * INCH, base_in * INCH, durations=durations)
    return Part(number, on, {LobeKind.INTAKE: lobe, LobeKind.EXHAUST: lobe}, units_sold=100, **said)  # type: ignore[arg-type]


def catalogue(*parts: Part, cores: tuple[Core, ...] = (core("C", 0.750),)) -> Catalogue:
    return Catalogue(cores, parts)


def ask(offered: Catalogue, asked: Submission) -> Identification:
    return identify(build_table(offered), asked)


SPACED = catalogue(
    *(part(f"P{i}", "C", lift, 0.8) for i, lift in enumerate((0.308, 0.320, 0.332, 0.344, 0.356, 0.370, 0.382, 0.394)))
)


def probabilities(answer: Identification) -> dict[str, float]:
    return {c.part_number: c.probability for c in answer.candidates}


# Three facts of the trade: common practice, no source.


def test_1_113_over_0_759_is_0_354_of_lift_and_names_the_0_356_grind() -> None:
    offered = catalogue(
        *(part(f"P{lift}", "C", lift, 0.758) for lift in (0.308, 0.320, 0.332, 0.344, 0.356, 0.370, 0.382, 0.394))
    )
    asked = submission(journal("0.7500"), height("1.1130"), base("0.7590"))
    answer = ask(offered, asked)
    assert answer.candidates[0].part_number == "P0.356"
    assert answer.state is AnswerState.IDENTIFIED
    lift = next(d for d in answer.derived if d.quantity == "lobe_lift")
    assert LengthUnit.INCH.show(lift.value) == "0.3540"
    assert lift.interval[0] < 0.356 * INCH < lift.interval[1]


def test_1_124_over_0_816_is_0_308_and_names_the_0_308_grind() -> None:
    offered = catalogue(*(part(f"P{lift}", "C", lift, 0.816) for lift in (0.280, 0.294, 0.308, 0.320, 0.332, 0.356)))
    answer = ask(offered, submission(journal("0.7500"), height("1.1240"), base("0.8160")))
    assert answer.candidates[0].part_number == "P0.308"
    assert answer.state is AnswerState.IDENTIFIED
    lift = next(d for d in answer.derived if d.quantity == "lobe_lift")
    assert LengthUnit.INCH.show(lift.value) == "0.3080"


def test_journals_of_0_550_and_0_558_are_told_apart_by_one_caliper_reading() -> None:
    offered = catalogue(
        part("SMALL", "S", 0.25, 0.7), part("LARGE", "L", 0.25, 0.7), cores=(core("S", 0.550), core("L", 0.558))
    )
    answer = ask(offered, submission(journal("0.5495"), height("0.9495"), base("0.7005")))
    assert probabilities(answer)["SMALL"] > 0.99


# What a posterior has to be


def test_the_probabilities_sum_to_one_with_what_is_left_off() -> None:
    answer = ask(SPACED, submission(journal("0.7500"), height("1.1250"), base("0.8005")))
    total = sum(c.probability for c in answer.candidates)
    assert total + answer.not_in_catalogue_probability + answer.left_off_probability == pytest.approx(1, abs=1e-9)


def test_the_same_readings_give_the_same_answer() -> None:
    asked = submission(journal("0.7500"), height("1.1250"), base("0.8005"))
    assert ask(SPACED, asked) == ask(SPACED, asked)


def test_the_order_of_the_catalogue_does_not_matter() -> None:
    asked = submission(journal("0.7500"), height("1.1250"), base("0.8005"))
    turned = Catalogue(SPACED.cores, SPACED.parts[::-1])
    for number, p in probabilities(ask(SPACED, asked)).items():
        assert probabilities(ask(turned, asked))[number] == pytest.approx(p, abs=1e-9)


def test_inches_and_millimetres_of_the_same_size_give_the_same_answer() -> None:
    inches = submission(journal("0.75000"), height("1.12000"), base("0.80000"), instrument=Instrument.BENCH)
    metric = submission(
        journal("19.05000"),
        height("28.44800"),
        base("20.32000"),
        unit=LengthUnit.MILLIMETRE,
        instrument=Instrument.BENCH,
    )
    # only the step of the tool's inch and metric versions differs
    assert probabilities(ask(SPACED, inches))["P1"] == pytest.approx(probabilities(ask(SPACED, metric))["P1"], abs=0.02)


def _alike_but_for_timing(sold: int, sold_of_other: int) -> Catalogue:
    return catalogue(
        replace(part("SELLS", "C", 0.320, 0.8, crank_deg=230), units_sold=sold),
        replace(part("RARE", "C", 0.320, 0.8, crank_deg=238), units_sold=sold_of_other),
    )


def test_sales_alone_never_name_a_part() -> None:
    offered = _alike_but_for_timing(1_000_000, 0)
    answer = ask(offered, submission(journal("0.7500"), height("1.1200"), base("0.8000")))
    assert answer.candidates[0].probability > 0.95
    assert answer.state is AnswerState.AMBIGUOUS
    assert set(answer.credible_set) == {"SELLS", "RARE"}


@pytest.mark.parametrize("stated", [(), ("P2",)])
def test_parts_whose_sales_nobody_states_are_identified_all_the_same(stated: tuple[str, ...]) -> None:
    parts = tuple(part_ if part_.part_number in stated else replace(part_, units_sold=None) for part_ in SPACED.parts)
    read = submission(journal("0.7500"), height("1.1440"), base("0.8005"))

    answer = ask(Catalogue(SPACED.cores, parts), read)

    assert answer.state is AnswerState.IDENTIFIED
    assert probabilities(answer)["P3"] == pytest.approx(probabilities(ask(SPACED, read))["P3"], abs=0.01)


EVENTS = ("intake_opens", "intake_closes", "exhaust_opens", "exhaust_closes")


@pytest.mark.parametrize("advanced", [0, 6])
def test_valve_events_tell_grinds_of_one_lift_apart_however_the_shaft_was_fitted(advanced: int) -> None:
    offered = catalogue(*(part(f"D{d}", "C", 0.350, 0.8, crank_deg=float(d)) for d in (220, 232, 244)))
    read = (journal("0.7500"), height("1.1490"), base("0.8005"))
    # 232 crank degrees on centres of 110: 6 before top, 46 after bottom, and the same for the exhaust; moved as one
    events = [event(name, 6 + advanced if "opens" in name else 46 - advanced) for name in EVENTS[:2]]
    events += [event(name, 46 + advanced if "opens" in name else 6 - advanced) for name in EVENTS[2:]]

    without, with_them = ask(offered, submission(*read)), ask(offered, submission(*read, *events))

    assert max(probabilities(without).values()) < 0.6
    assert probabilities(with_them)["D232"] > 0.95
    (row,) = [e for e in with_them.candidates[0].evidence if e.pointer == "/valve_events"]
    assert row.bits > 3
    assert "reading_kept_not_weighed" not in {a.code for a in with_them.advice}


def test_a_valve_event_without_its_fellow_is_kept_and_said_not_to_be_weighed() -> None:
    answer = ask(SPACED, submission(journal("0.7500"), height("1.1200"), base("0.8010"), event("intake_opens", 20)))

    (told,) = [a for a in answer.advice if a.code == "reading_kept_not_weighed"]
    assert told.pointer == "/readings/3"


def test_grinds_that_differ_in_timing_alone_ask_for_the_flank_width_or_a_duration() -> None:
    asked = submission(journal("0.7500"), height("1.1200"), base("0.8000"))
    answer = ask(_alike_but_for_timing(200, 100), asked)
    assert answer.state is AnswerState.AMBIGUOUS
    assert answer.next_reading is not None
    # 8 crank degrees move the flank by about 0.010 in: twice what lift and one duration leave open
    assert answer.next_reading.feature in ("flank_width", "duration")


@pytest.mark.parametrize("tools", [(CALIPER,), (CALIPER, Instrument.DEGREE_WHEEL)])
def test_nothing_is_asked_for_that_needs_a_tool_they_have_not_got(tools: tuple[Instrument, ...]) -> None:
    for asked in (submission(journal("0.7500"), tools=tools), submission(height("1.1200"), tools=tools)):
        answer = ask(_alike_but_for_timing(200, 100), asked)
        assert answer.next_reading is None or answer.next_reading.instrument in (None, *tools)


def flank(value: str, **qualifiers: Any) -> Reading:
    return reading("flank_width", value, lobe=LobeKind.INTAKE, included_angle_deg=Decimal(90), **qualifiers)


def _with_lift_tables(*half_widths: float) -> Catalogue:
    """Parts of one lift and base circle whose lobes, simple harmonic, are so many cam degrees wide on either side."""
    angles = np.arange(-180.0, 181.0, 2.0)
    lobes = []
    for half in half_widths:
        lift = np.where(np.abs(angles) < half, 0.16 * INCH * (1 + np.cos(np.pi * angles / half)), 0.0)
        table = LiftTable(FollowerKind.FLAT, tuple(zip(angles.tolist(), lift.tolist(), strict=True)))
        lobes.append(LobeNominal(0.320 * INCH, 0.8 * INCH, lift_table=table))
    parts = [
        Part(f"W{half:.0f}", "C", {LobeKind.INTAKE: lobe, LobeKind.EXHAUST: lobe}, units_sold=100)
        for half, lobe in zip(half_widths, lobes, strict=True)
    ]
    return Catalogue((core("C", 0.750),), tuple(parts))


def test_a_flank_width_tells_grinds_apart_that_height_and_base_circle_cannot() -> None:
    offered = _with_lift_tables(70, 74)
    widths = [journal("0.7500"), height("1.1200"), base("0.8000")]
    undecided = ask(offered, submission(*widths))
    assert set(undecided.credible_set) == {"W70", "W74"}
    # by the simple harmonic law: 0.800 + 0.160 (1 + cos(180 deg * 45 / half))
    for number, width in (("W70", "0.8902"), ("W74", "0.9067")):
        answer = ask(offered, submission(*widths, flank(width)))
        assert answer.candidates[0].part_number == number
        assert answer.candidates[0].probability > 0.95
        row = next(e for e in answer.candidates[0].evidence if e.pointer == "/readings/3")
        assert row.bits > 3
        assert row.expected == pytest.approx(float(width) * INCH, abs=0.02)


def test_a_flank_width_of_one_side_alone_says_less() -> None:
    offered = _with_lift_tables(70, 74)
    widths = [journal("0.7500"), height("1.1200"), base("0.8000")]
    both = ask(offered, submission(*widths, flank("0.9067"))).candidates[0]
    one = ask(offered, submission(*widths, flank("0.9067", flank="opening"))).candidates[0]
    assert both.part_number == one.part_number == "W74"
    assert 0.5 < one.probability < both.probability


def test_a_reground_shafts_flank_goes_down_with_its_base_circle() -> None:
    offered = _with_lift_tables(70, 74)
    cut = 0.020
    widths = [journal("0.7500"), height(f"{1.12 - cut:.4f}"), base(f"{0.8 - cut:.4f}"), flank(f"{0.9067 - cut:.4f}")]
    answer = ask(offered, submission(*widths, condition=Condition.USED))
    assert answer.candidates[0].part_number == "W74"
    assert answer.candidates[0].reground_probability > 0.9


def test_a_superseded_number_and_its_successor_are_one_answer_current_first() -> None:
    old = replace(part("OLD", "C", 0.320, 0.8), status=PartStatus.SUPERSEDED, superseded_by="NEW")
    offered = catalogue(old, part("NEW", "C", 0.320, 0.8), part("FAR", "C", 0.400, 0.8))
    answer = ask(offered, submission(journal("0.7500"), height("1.1200"), base("0.8000")))
    assert answer.state is AnswerState.IDENTIFIED
    assert (answer.candidates[0].part_number, answer.candidates[0].same_as) == ("NEW", ("OLD",))


def test_a_successor_that_is_ground_otherwise_is_another_part() -> None:
    old = replace(part("OLD", "C", 0.320, 0.8), status=PartStatus.SUPERSEDED, superseded_by="NEW")
    offered = catalogue(old, part("NEW", "C", 0.340, 0.8))
    answer = ask(offered, submission(journal("0.7500"), height("1.1200"), base("0.8000")))
    assert answer.candidates[0].part_number == "OLD"


def test_a_lift_nobody_sells_is_not_in_the_catalogue() -> None:
    readings = (
        journal("0.7500", "0.7500"),
        height("1.2500", "1.2500"),
        base("0.8000", "0.8000"),
        height("1.2500", "1.2500", lobe=LobeKind.EXHAUST),
        base("0.8000", "0.8000", lobe=LobeKind.EXHAUST),
    )
    answer = ask(SPACED, submission(*readings, experience=Experience.PRACTISED))
    assert answer.state is AnswerState.NOT_IN_CATALOGUE
    assert answer.not_in_catalogue_probability > 0.97


def test_a_small_base_circle_with_a_catalogue_lift_reads_as_reground() -> None:
    answer = ask(SPACED, submission(journal("0.7500"), height("1.0995"), base("0.7805"), condition=Condition.USED))
    assert answer.candidates[0].part_number == "P1"
    assert answer.candidates[0].reground_probability > 0.95
    assert "looks_reground" in {a.code for a in answer.advice}


# Evidence


@pytest.mark.parametrize("cylinders", [1, 2, 4, 8])
def test_a_shaft_of_which_every_lobe_reads_exactly_as_printed_is_its_part(cylinders: int) -> None:
    numbers = range(1, cylinders + 1)
    heights = [height("1.1560", lobe=lobe, cylinder=c) for c in numbers for lobe in LobeKind]
    bases = [base("0.8000", lobe=lobe, cylinder=c) for c in numbers for lobe in LobeKind]
    answer = identify(build_table(SPACED), submission(journal("0.7500"), *heights, *bases), explain=False)
    assert answer.state is AnswerState.IDENTIFIED
    assert answer.candidates[0].part_number == "P4"


def test_the_evidence_sums_to_the_log_odds_against_the_runner_up() -> None:
    answer = ask(SPACED, submission(journal("0.7500"), height("1.1240"), base("0.8005")))
    first, second = answer.candidates[:2]
    assert second.probability > answer.not_in_catalogue_probability
    odds = np.log2(first.probability / second.probability)
    assert sum(e.bits for e in first.evidence) == pytest.approx(odds, abs=1e-9)
    assert sum(e.bits for e in second.evidence) == pytest.approx(-odds, abs=1e-9)


def test_evidence_shows_what_was_measured_beside_what_was_expected() -> None:
    answer = ask(SPACED, submission(journal("0.7500"), height("1.1200"), base("0.8010")))
    row = next(e for e in answer.candidates[0].evidence if e.pointer == "/readings/2")
    assert row.measured == pytest.approx(0.8010 * INCH)
    assert row.expected == pytest.approx(0.8 * INCH)
    assert row.difference == pytest.approx(0.001 * INCH)


def test_beyond_eight_readings_the_evidence_still_sums() -> None:
    many = [height("1.1200", cylinder=c) for c in range(1, 6)] + [base("0.8005", cylinder=c) for c in range(1, 6)]
    answer = ask(SPACED, submission(journal("0.7500"), *many))
    first = answer.candidates[0]
    others = [c.probability for c in answer.candidates[1:]] + [answer.not_in_catalogue_probability]
    assert sum(e.bits for e in first.evidence) == pytest.approx(np.log2(first.probability / max(others)), abs=0.01)


# Slips


def _slips(answer: Identification) -> dict[Slip, float]:
    return {s.slip: s.probability for s in answer.suspected_slips}


BOTH = (
    height("1.1195"),
    base("0.8005"),
    height("1.1195", lobe=LobeKind.EXHAUST),
    base("0.8005", lobe=LobeKind.EXHAUST),
)


@pytest.mark.parametrize(
    ("slip", "asked", "pointer"),
    [
        (
            Slip.HEIGHT_BASE_SWAPPED,
            submission(journal("0.7500"), base("1.1195"), height("0.8005"), *BOTH[2:]),
            "/readings/2",
        ),
        (Slip.DIGITS_SWAPPED, submission(journal("0.7500"), height("1.1915"), *BOTH[1:]), "/readings/1"),
        (Slip.DECIMAL_SLIPPED, submission(journal("0.0750"), *BOTH), "/readings/0"),
        (
            Slip.UNIT_MISTAKEN,
            submission(journal("19.05"), height("28.44"), base("20.33")),
            "/unit",
        ),
        (Slip.JOURNAL_MISREAD, submission(journal("0.7250"), *BOTH), "/readings/0"),
    ],
)
def test_a_slip_is_seen_and_the_part_still_found(slip: Slip, asked: Submission, pointer: str) -> None:
    answer = ask(SPACED, asked)
    found = {(s.slip, s.pointer): s.probability for s in answer.suspected_slips}
    assert found.get((slip, pointer), 0) > 0.5, found
    assert answer.candidates[0].part_number == "P1"


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (
            submission(
                journal("0.7500"),
                *BOTH[:2],
                base("1.1195", lobe=LobeKind.EXHAUST),
                height("0.8005", lobe=LobeKind.EXHAUST),
            ),
            "The exhaust lobe's height and base circle look swapped.",
        ),
        (
            submission(journal("0.7500"), height("0.8005"), *BOTH[2:]),
            "The intake lobe's height looks like its base circle.",
        ),
        (
            submission(journal("19.05"), height("28.44"), base("20.33")),
            "The readings look as if they were taken in millimetres, not in inches.",
        ),
    ],
)
def test_a_slip_is_raised_in_words_that_say_of_what(asked: Submission, words: str) -> None:
    assert words in [s.message for s in ask(SPACED, asked).suspected_slips]


def test_lobes_taken_for_each_other_are_seen() -> None:
    dual = Part(
        "DUAL",
        "C",
        {LobeKind.INTAKE: LobeNominal(0.32 * INCH, 0.8 * INCH), LobeKind.EXHAUST: LobeNominal(0.35 * INCH, 0.8 * INCH)},
        units_sold=100,
    )
    asked = submission(
        journal("0.7500"),
        height("1.1495"),
        base("0.8005"),
        height("1.1195", lobe=LobeKind.EXHAUST),
        base("0.8005", lobe=LobeKind.EXHAUST),
    )
    assert _slips(ask(catalogue(dual, *SPACED.parts[:1]), asked))[Slip.LOBES_SWAPPED] > 0.5


def test_cam_degrees_quoted_as_crank_degrees_are_seen() -> None:
    offered = catalogue(*(part(f"D{d}", "C", 0.32, 0.8, crank_deg=d) for d in (224, 236, 248)))
    turned = reading(
        "duration", "118", lobe=LobeKind.INTAKE, checking_lift=Decimal("0.050"), degrees="crank", at="lobe"
    )
    answer = ask(offered, submission(journal("0.7500"), *BOTH, turned))
    assert _slips(answer)[Slip.CAM_AS_CRANK_DEGREES] > 0.9
    assert answer.candidates[0].part_number == "D236"


def test_honest_readings_raise_no_slip() -> None:
    assert ask(SPACED, submission(journal("0.7500"), *BOTH)).suspected_slips == ()


# Asking


def test_a_journal_alone_asks_for_a_lobe() -> None:
    answer = ask(SPACED, submission(journal("0.7500")))
    assert answer.state is AnswerState.MORE_READINGS_NEEDED
    assert answer.next_reading is not None
    assert answer.next_reading.feature in ("lobe_height", "lobe_lift")
    assert answer.ask_cheaply


def test_two_cores_alike_but_for_the_gear_ask_for_the_teeth() -> None:
    offered = catalogue(
        part("A", "C", 0.32, 0.8), part("B", "D", 0.32, 0.8), cores=(core("C", 0.75, 28), core("D", 0.75, 30))
    )
    answer = ask(offered, submission(journal("0.7500"), *BOTH))
    assert answer.next_reading is not None
    assert answer.next_reading.feature == "gear_teeth"
    settled = ask(offered, replace(submission(journal("0.7500"), *BOTH), gear_teeth=30))
    assert settled.candidates[0].part_number == "B"


def test_where_nothing_tells_them_apart_the_shaft_is_to_be_sent_in() -> None:
    offered = catalogue(part("A", "C", 0.32, 0.8), part("B", "C", 0.32, 0.8))
    answer = ask(offered, submission(journal("0.7500"), *BOTH))
    assert answer.state is AnswerState.AMBIGUOUS
    assert set(answer.credible_set) == {"A", "B"}
    assert answer.next_reading is None
    assert "send_it_in" in {a.code for a in answer.advice}


def test_a_family_nobody_knows_is_advice_and_no_evidence() -> None:
    asked = submission(journal("0.7500"), *BOTH)
    named = ask(SPACED, replace(asked, engine_family="Nowhere"))
    assert "engine_family_unknown" in {a.code for a in named.advice}
    assert probabilities(named) == probabilities(ask(SPACED, asked))


def test_a_claimed_family_is_soft_evidence() -> None:
    cores = (core("C", 0.75, 28, "Amber"), core("D", 0.75, 28, "Birch"))
    offered = catalogue(part("A", "C", 0.32, 0.8), part("B", "D", 0.32, 0.8), cores=cores)
    answer = ask(offered, submission(journal("0.7500"), *BOTH, engine_family="birch"))
    assert 0.5 < probabilities(answer)["B"] < 0.99


def test_markings_are_no_evidence() -> None:
    asked = submission(journal("0.7500"), *BOTH)
    marked = replace(asked, markings=(Marking("between_lobes", "P1"),))
    assert probabilities(ask(SPACED, marked)) == probabilities(ask(SPACED, asked))
    assert "marking_not_evidence" in {a.code for a in ask(SPACED, marked).advice}


# Zero, tools, repeats


def test_a_zero_check_takes_the_tools_zero_out_of_the_journals() -> None:
    cores = (core("C", 0.750), core("D", 0.754))
    offered = catalogue(part("A", "C", 0.32, 0.8), part("B", "D", 0.32, 0.8), cores=cores)
    readings = (journal("0.7520", "0.7520"),)
    check = reading("zero_check", "0.0020", "0.0020", reference=Decimal(0))
    blind = probabilities(ask(offered, submission(*readings, condition=Condition.NEW)))
    checked = probabilities(ask(offered, submission(*readings, check, condition=Condition.NEW)))
    assert checked["A"] > 0.94 > 0.8 > blind["A"]


def test_a_tools_zero_cancels_in_the_lift() -> None:
    true = probabilities(ask(SPACED, submission(height("1.1195"), base("0.8005"))))
    off = probabilities(ask(SPACED, submission(height("1.1215"), base("0.8025"))))
    assert off["P1"] == pytest.approx(true["P1"], abs=0.1)


def test_a_better_tool_is_another_reading_of_the_same_truth() -> None:
    near = catalogue(*(part(f"N{i}", "C", 0.320 + 0.002 * i, 0.8) for i in range(5)))
    rough = submission(journal("0.7500"), height("1.1240"), base("0.8000"), condition=Condition.NEW)
    finer = Instrument.OUTSIDE_MICROMETER
    fine = replace(
        rough,
        readings=(*rough.readings, height("1.12400", instrument=finer), base("0.80000", instrument=finer)),
    )
    assert probabilities(ask(near, fine))["N2"] > probabilities(ask(near, rough))["N2"] + 0.2


def test_digits_written_tell_how_finely_it_was_read() -> None:
    coarse = probabilities(ask(SPACED, submission(journal("0.75"), height("1.12"), base("0.80"))))
    fine = probabilities(ask(SPACED, submission(journal("0.7500"), height("1.1200"), base("0.8000"))))
    assert fine["P1"] > coarse["P1"]


# Robustness

WIDTHS = st.decimals("0.0001", "99999", places=4, allow_nan=False, allow_infinity=False)


@st.composite
def any_reading(draw: st.DrawFn) -> Reading:
    feature = draw(st.sampled_from(["journal_diameter", "lobe_height", "base_circle", "lobe_lift", "overall_length"]))
    values = tuple(Written.parse(str(v)) for v in draw(st.lists(WIDTHS, min_size=1, max_size=3)))
    lobe = draw(st.sampled_from(LobeKind)) if feature in ("lobe_height", "base_circle", "lobe_lift") else None
    position = draw(st.sampled_from(Position)) if feature == "journal_diameter" else None
    tools = [Instrument.DIGITAL_CALIPER, Instrument.OUTSIDE_MICROMETER]
    return Reading(Feature(feature), values, draw(st.sampled_from(tools)), position, lobe)


@settings(max_examples=40)
@given(st.lists(any_reading(), min_size=1, max_size=6), st.sampled_from(LengthUnit))
def test_no_reading_however_absurd_breaks_the_posterior(readings: list[Reading], unit: LengthUnit) -> None:
    answer = ask(SPACED, submission(*readings, unit=unit))
    total = sum(c.probability for c in answer.candidates)
    assert total + answer.not_in_catalogue_probability + answer.left_off_probability == pytest.approx(1, abs=1e-6)
    assert all(np.isfinite(e.bits) for c in answer.candidates for e in c.evidence)


def test_one_wild_repeat_of_a_shaft_nobody_sells_is_a_slip_and_names_no_part() -> None:
    answer = ask(
        SPACED,
        submission(
            journal("1.5390", "1.5390", "5.1380"),
            height("1.7145", "1.7150", "1.7140"),
            base("1.4565", "1.4570"),
            height("1.6700", lobe=LobeKind.EXHAUST),
            base("1.4550", "1.4550", lobe=LobeKind.EXHAUST),
        ),
    )
    assert answer.not_in_catalogue_probability > 0.99
    assert [(s.slip, s.pointer) for s in answer.suspected_slips] == [(Slip.DIGITS_SWAPPED, "/readings/0")]


def test_many_wild_repeats_of_one_base_circle_are_answered() -> None:
    values = ("1.947179", "0.00004637", 26593.34, 0.75, "2156", 32056.92, "38", 28293.2, "0.11437646", ".004", 83245.06)
    wild = base(*values, instrument=Instrument.BENCH)
    answer = ask(SPACED, submission(journal("0.7500"), wild))
    assert all(np.isfinite(e.bits) for c in answer.candidates for e in c.evidence)


def test_a_catalogue_of_one_part_or_none_is_answered() -> None:
    asked = submission(journal("0.7500"), *BOTH)
    assert ask(catalogue(part("P1", "C", 0.320, 0.8)), asked).candidates[0].part_number == "P1"
    assert ask(Catalogue((), ()), asked).not_in_catalogue_probability == pytest.approx(1)
