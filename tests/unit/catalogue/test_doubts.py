"""What is taken and doubted: warnings about a catalogue that could be right, and hardly is."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from fixtures.lobe_laws import circular_arc, half_angle, smallest_half_angle
from service.catalogue_files import check_csv, check_json
from service.catalogue_files.doubts import shortest_duration_deg, usual_of
from tests.catalogues import catalogue, core, part, plain_lobe

FIXTURES = Path(__file__).parents[3] / "fixtures"


def doubts_of(parts: list) -> dict[str, str]:
    found = check_json(catalogue(cores=[core()], parts=parts))
    assert found.catalogue is not None
    return {doubt.pointer: doubt.detail for doubt in found.doubts}


def grinds(*lobes: dict) -> list:
    """Parts of one core, each with one of these intake lobes."""
    return [part(part_number=f"P-{i}", lobes={"intake": lobe}) for i, lobe in enumerate(lobes)]


USUAL = [plain_lobe(f"0.{lift}") for lift in (300, 306, 312, 318, 325, 330, 338)]


def test_a_lift_unlike_its_neighbours_is_doubted() -> None:
    (found,) = doubts_of(grinds(*USUAL, plain_lobe("0.133"))).items()
    assert found[0] == "/parts/7/lobes/intake/lift"
    assert found[1].startswith("0.1330 in is unlike the intake lifts on core C1")


def test_a_base_circle_that_contradicts_its_core_is_doubted() -> None:
    (found,) = doubts_of(grinds(*USUAL, plain_lobe("0.320", "0.816"))).items()
    assert found[0] == "/parts/7/lobes/intake/base_circle"


def test_lobes_ground_from_blanks_of_one_height_contradict_nothing() -> None:
    lobes = [plain_lobe(f"{lift:.3f}", f"{1.18 - lift:.3f}") for lift in (0.25, 0.27, 0.29, 0.31, 0.33, 0.35, 0.37)]
    assert doubts_of(grinds(*lobes)) == {}


def test_on_a_core_with_few_parts_nothing_is_unusual() -> None:
    assert doubts_of(grinds(*USUAL[:4], plain_lobe("0.133"))) == {}


@pytest.mark.parametrize(
    ("degrees", "doubted"), [("116", True), ("198", True), ("200", False), ("232", False), ("401", True)]
)
def test_a_duration_that_cannot_belong_to_its_lift_is_doubted(degrees: str, doubted: bool) -> None:
    lobe = plain_lobe(durations=[{"checking_lift": "0.050", "crank_degrees": degrees}])
    assert (list(doubts_of(grinds(lobe))) == ["/parts/0/lobes/intake/durations/0/crank_degrees"]) is doubted


def test_a_lash_in_inches_in_a_row_of_millimetres_is_doubted() -> None:
    metric = part(unit="mm", lobes={"intake": plain_lobe("7.95", "21.87", lash="0.006")})
    assert list(doubts_of([metric])) == ["/parts/0/lobes/intake/lash"]


def test_a_limit_in_the_other_unit_is_doubted() -> None:
    def doubted(unit: str, limit: str) -> list[str]:
        sizes = {"in": ("0.75", "0.3130", "0.861"), "mm": ("19.05", "7.95", "21.87")}[unit]
        limits = {"minus": limit, "plus": "0"}
        journals = [{"position": "front", "diameter": sizes[0]} | limits]
        lobe = {"lift": sizes[1], "base_circle": sizes[2], "tolerances": {"lift": limits}}
        shaft = core(unit=unit, journals=journals, overall_length=None)
        found = check_json(catalogue(cores=[shaft], parts=[part(unit=unit, lobes={"intake": lobe})]))
        assert found.catalogue is not None
        return [doubt.pointer for doubt in found.doubts]

    places = ["/cores/0/journals/0/minus", "/parts/0/lobes/intake/tolerances/lift/minus"]
    assert doubted("in", "0.0127") == doubted("mm", "0.0005") == places
    assert doubted("in", "0.0005") == doubted("mm", "0.0127") == []


def test_a_part_stated_under_another_number_too_is_doubted() -> None:
    (found,) = doubts_of([part(), part(part_number="P-2")]).items()
    assert found == ("/parts/1/part_number", "is stated exactly as P-1 is; are they one part?")
    assert doubts_of([part(), part(part_number="P-2", status="superseded", superseded_by="P-1")]) == {}


def test_doubts_come_in_the_order_of_the_parts_though_their_cores_alternate() -> None:
    cores = [core(), core(code="C2", name="Second core")]
    parts = [part(part_number=f"P-{i}", core=f"C{1 + i % 2}") for i in range(6)]
    found = check_json(catalogue(cores=cores, parts=parts)).doubts
    assert [(doubt.pointer, doubt.detail.partition(" is;")[0]) for doubt in found] == [
        ("/parts/2/part_number", "is stated exactly as P-0"),
        ("/parts/3/part_number", "is stated exactly as P-1"),
        ("/parts/4/part_number", "is stated exactly as P-0"),
        ("/parts/5/part_number", "is stated exactly as P-1"),
    ]


def test_doubts_of_sheets_are_named_by_their_cells() -> None:
    rows = "".join(f"P-{i},C1,0.3{10 + 5 * i},0.861\n" for i in range(8)) + "P-9,C1,0.133,0.861\n"
    cores = "code,name,journal.front.diameter\nC1,One,0.75\n"
    found = check_csv(cores.encode(), ("part_number,core,intake.lift,intake.base_circle\n" + rows).encode())
    assert [doubt.pointer for doubt in found.doubts] == ["parts.csv:10:intake.lift"]


def test_the_invented_catalogue_raises_no_doubt_about_a_duration_or_a_base_circle() -> None:
    found = check_json((FIXTURES / "catalogue.json").read_bytes())
    assert [d for d in found.doubts if "crank_degrees" in d.pointer or "base_circle" in d.pointer] == []


def test_the_fences_are_tukey_s() -> None:
    # Exploratory Data Analysis (1977), section 2D: hinges 4 and 8 of 2..10 give a step of 6 and fences at -2 and 14.
    usual = usual_of([float(value) for value in range(2, 11)])
    assert usual is not None
    assert (usual.low_mm, usual.high_mm) == (-2.0, 14.0)


@pytest.mark.parametrize("nose", [0.0001, 0.01, 0.05])
@pytest.mark.parametrize("lift", [0.2, 0.313, 0.4])
def test_no_arc_cam_is_shorter_than_the_shortest_duration(lift: float, nose: float) -> None:
    """Against the circular-arc cam of the textbooks, and its limit in which the nose alone carries the follower."""
    base = 0.861
    least = shortest_duration_deg(lift, base, 0.05)
    assert 4 * math.degrees(smallest_half_angle(base / 2, lift, 0.05, nose)) > least
    half = math.radians(least / 4 + 15)
    law = circular_arc(base / 2, lift, half, 0.05, 0.05)
    assert 4 * math.degrees(half_angle(law, 0.05)) > least
    assert shortest_duration_deg(lift, base, 0.05) == pytest.approx(
        4 * math.degrees(smallest_half_angle(base / 2, lift, 0.05, 0.0))
    )
