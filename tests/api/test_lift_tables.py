"""Lift tables over HTTP: figures out, faults that name the row, a drawing, and the invented part they came from."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from service.web.api.lift_tables.examples import LIFT_TABLE_EXAMPLES
from tests.api.conftest import Caller

Json = dict[str, Any]
CATALOGUE = json.loads((Path(__file__).parents[2] / "fixtures" / "catalogue.json").read_text())
TABLED = next(part for part in CATALOGUE["parts"] if "lift_table" in part["lobes"].get("intake", {}))


def table_of(lobe: str, nose: float, seed: int) -> list[list[str]]:
    """A part's lobe as a bench would read it, every second cam degree."""
    points = np.array(TABLED["lobes"][lobe]["lift_table"]["table"], float)
    at = np.arange(0, 360, 2.0)
    turned = (at - nose + 180) % 360 - 180
    inside = (turned >= points[0, 0]) & (turned <= points[-1, 0])
    lift = np.where(inside, np.maximum(CubicSpline(points[:, 0], points[:, 1])(turned), 0), 0)
    lift = lift + np.random.default_rng(seed).normal(0, 0.0005, at.size) + 0.001 * np.cos(np.radians(at))
    return [[f"{angle:.0f}", f"{value:.4f}"] for angle, value in zip(at, lift, strict=True)]


@pytest.fixture
def sheet() -> Json:
    """Both lobes of a catalogue part on one index, 108 cam degrees apart."""
    return {
        "unit": "in",
        "angle": "cam",
        "follower": {"kind": "flat"},
        "lobes": [
            {
                "lobe": name,
                "base_circle": TABLED["lobes"][name]["base_circle"],
                "table": table_of(name, nose, seed),
            }
            for name, nose, seed in (("exhaust", 110.0, 1), ("intake", 218.0, 2))
        ],
    }


@pytest.fixture
def example() -> Json:
    return copy.deepcopy(LIFT_TABLE_EXAMPLES["a_bench"]["value"])


def worked_out(caller: Caller, body: Json) -> Json:
    response = caller.post("/v1/lift-tables", body)
    assert response.status_code == 200, response.get_data(as_text=True)
    found: Json = response.get_json()
    return found


def faults(caller: Caller, body: Json) -> dict[str, str]:
    response = caller.post("/v1/lift-tables", body)
    assert response.status_code == 422, response.get_data(as_text=True)
    return {fault["pointer"]: fault["detail"] for fault in response.get_json()["errors"]}


def test_a_bench_table_gives_the_parts_figures_with_their_uncertainty(desk: Caller, sheet: Json) -> None:
    found = worked_out(desk, sheet)

    intake = found["lobes"][1]
    nominal = TABLED["lobes"]["intake"]
    assert float(intake["lift"]["value"]) == pytest.approx(float(nominal["lift"]), abs=0.001)
    assert 0.0001 <= float(intake["lift"]["standard_uncertainty"]) <= 0.0006
    stated = {float(d["checking_lift"]): float(d["crank_degrees"]) for d in nominal["durations"]}
    read = {float(d["checking_lift"]): float(d["crank_degrees"]) for d in intake["durations"]}
    assert read[0.05] == pytest.approx(stated[0.05], abs=0.8)
    assert float(intake["centre"]["angle"]) == pytest.approx(218.0, abs=0.5)
    assert float(found["lobe_separation"]["value"]) == pytest.approx(108.0, abs=0.5)
    runout = next(c for c in intake["corrections"] if c["kind"] == "runout")
    assert float(runout["size"]) == pytest.approx(0.002, abs=0.0006)
    assert runout["size"] in runout["message"]


def test_the_part_it_came_from_leads_and_its_condition_is_told(desk: Caller, sheet: Json) -> None:
    found = worked_out(desk, sheet)

    assert found["candidates"][0]["part_number"] == TABLED["part_number"]
    assert found["not_in_catalogue_probability"] < 0.01
    condition = found["lobes"][0]["condition"]
    assert condition["part_number"] == TABLED["part_number"]
    assert abs(float(condition["nose_loss"]["value"])) < 0.002
    assert condition["reground"] is False
    assert "qualified person" in condition["messages"][-1]
    assert found["cautions"]


def test_a_smaller_base_circle_with_its_lift_kept_says_reground(desk: Caller, sheet: Json) -> None:
    for lobe in sheet["lobes"]:
        lobe["base_circle"] = f"{float(lobe['base_circle']) - 0.030:.4f}"

    condition = worked_out(desk, sheet)["lobes"][1]["condition"]

    assert condition["reground"] is True
    assert float(condition["undersize"]["value"]) == pytest.approx(0.030, abs=1e-4)


def test_a_pasted_table_is_the_same_table(desk: Caller, sheet: Json) -> None:
    pasted = copy.deepcopy(sheet)
    for lobe in pasted["lobes"]:
        lobe["csv"] = "angle;lift\n" + "\n".join(f"{angle};{lift}" for angle, lift in lobe.pop("table"))

    assert worked_out(desk, pasted) == worked_out(desk, sheet)


def test_millimetres_and_crank_degrees_give_the_same_lobe(desk: Caller, sheet: Json) -> None:
    metric = copy.deepcopy(sheet) | {"unit": "mm", "angle": "crank"}
    for lobe in metric["lobes"]:
        lobe["base_circle"] = f"{float(lobe['base_circle']) * 25.4:.4f}"
        lobe["table"] = [[str(2 * int(angle)), f"{float(lift) * 25.4:.5f}"] for angle, lift in lobe["table"]]

    ours, theirs = worked_out(desk, sheet)["lobes"][1], worked_out(desk, metric)["lobes"][1]

    assert float(theirs["lift"]["value"]) == pytest.approx(float(ours["lift"]["value"]) * 25.4, abs=0.002)
    assert float(theirs["centre"]["angle"]) == pytest.approx(2 * float(ours["centre"]["angle"]), abs=0.1001)


def test_a_roller_without_a_base_circle_is_worked_out_but_not_compared(desk: Caller, example: Json) -> None:
    example["follower"] = {"kind": "roller", "radius": "0.35"}
    for lobe in example["lobes"]:
        del lobe["base_circle"]

    found = worked_out(desk, example)

    assert found["candidates"] == []
    assert found["not_in_catalogue_probability"] is None
    assert "base circle" in found["lobes"][0]["advice"][0]


@pytest.mark.parametrize("name", LIFT_TABLE_EXAMPLES)
def test_the_documented_examples_are_taken(desk: Caller, name: str) -> None:
    worked_out(desk, LIFT_TABLE_EXAMPLES[name]["value"])


def test_a_table_that_no_lobe_made_is_refused_at_its_row(desk: Caller, example: Json) -> None:
    example["lobes"][1]["table"] = [row for row in example["lobes"][1]["table"] if abs(row[0] - 220) < 66]

    found = faults(desk, example)
    assert list(found) == ["/lobes/1/table/0"]
    assert "base circle" in found["/lobes/1/table/0"]


def test_an_angle_that_is_no_number_is_refused_at_its_place(desk: Caller, example: Json) -> None:
    example["lobes"][0]["table"][3][0] = "twelve"
    example["lobes"][0]["table"][5] = [30]

    assert set(faults(desk, example)) == {"/lobes/0/table/3/0", "/lobes/0/table/5"}


def test_a_bad_line_of_pasted_text_is_named(desk: Caller, example: Json) -> None:
    del example["lobes"][0]["table"]
    example["lobes"][0]["csv"] = "0 0.000\n2 0.000\n4 o.000\n"

    assert "Line 3" in faults(desk, example)["/lobes/0/csv"]


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"follower": {"kind": "roller"}}, "/follower/radius"),
        ({"follower": {"kind": "roller", "radius": "350"}}, "/follower/radius"),
        ({"follower": {"kind": "flat", "offset": "2.0"}}, "/follower/offset"),
        ({"lobes": []}, "/lobes"),
        ({"angle": "wheel"}, "/angle"),
        ({"direction": "left"}, "/direction"),
    ],
)
def test_what_cannot_be_meant_is_refused_at_its_field(desk: Caller, example: Json, change: Json, pointer: str) -> None:
    assert pointer in faults(desk, example | change)


def test_a_lobe_named_twice_is_refused(desk: Caller, example: Json) -> None:
    example["lobes"][1]["lobe"] = "exhaust"

    assert list(faults(desk, example)) == ["/lobes/1/lobe"]


def test_the_drawing_shows_lift_velocity_acceleration_and_the_part_beneath(desk: Caller, sheet: Json) -> None:
    response = desk.post("/v1/lift-tables/plot.svg", sheet)

    assert response.status_code == 200
    assert response.content_type.startswith("image/svg+xml")
    drawing = ET.fromstring(response.get_data(as_text=True))
    words = " ".join(element.text or "" for element in drawing.iter())
    for title in ("lift", "velocity", "acceleration", f"missing beside {TABLED['part_number']}"):
        assert title in words
    assert any(element.get("stroke-dasharray") for element in drawing.iter())


def test_a_lobe_that_lifts_less_than_the_others_of_its_kind_is_said_to(desk: Caller, sheet: Json) -> None:
    one = sheet["lobes"][0]
    worn = [[angle, f"{float(lift) * 0.97:.5f}"] for angle, lift in one["table"]]
    sheet["lobes"] = [one | {"cylinder": number} for number in (1, 2, 3)]
    assert worked_out(desk, sheet)["lobe_differences"] == []
    sheet["lobes"][1]["table"] = worn

    (found,) = worked_out(desk, sheet)["lobe_differences"]

    assert (found["lobe"], found["cylinder"], found["by"], found["others"]) == (one["lobe"], 2, "lift", [1, 3])
    assert float(found["difference"]["value"]) == pytest.approx(
        -0.03 * max(float(lift) for _, lift in one["table"]), rel=0.1
    )
    assert "lifts" in found["message"]
    assert "less than the others of its kind" in found["message"]
