"""Readings in, answer out, as the contract says."""

from __future__ import annotations

import uuid
import xml.etree.ElementTree as ET
from decimal import Decimal
from typing import Any

import pytest

from tests.api.conftest import Caller

Json = dict[str, Any]


@pytest.fixture
def answered(desk: Caller, sample: Json) -> Json:
    """The sample submission's answer."""
    return desk.submit(sample)


def test_the_answer_has_every_member_of_the_contract(answered: Json) -> None:
    assert answered.keys() >= {
        "id",
        "state",
        "unit",
        "catalogue_revision",
        "engine_version",
        "answer",
        "candidates",
        "not_in_catalogue_probability",
        "derived",
        "suspected_slips",
        "next_reading",
        "advice",
        "cautions",
        "review",
    }
    best = answered["candidates"][0]
    assert best.keys() >= {"part_number", "same_as", "core", "probability", "reground_probability", "evidence"}
    assert best["evidence"][0].keys() >= {"reading", "measured", "expected", "difference", "bits"}
    derived = answered["derived"][0]
    assert derived.keys() >= {
        "quantity",
        "lobe",
        "value",
        "corrected",
        "standard_uncertainty",
        "interval",
        "budget",
    }
    assert derived["budget"][0].keys() >= {"component", "standard_uncertainty"}


def test_the_sample_names_its_part(answered: Json) -> None:
    assert answered["state"] == "identified"
    assert answered["answer"]["part_number"] == answered["candidates"][0]["part_number"]
    assert answered["answer"]["probability"] == answered["candidates"][0]["probability"]


def test_probabilities_sum_to_one_with_what_is_left_off(answered: Json) -> None:
    listed = sum(candidate["probability"] for candidate in answered["candidates"])

    assert listed + answered["not_in_catalogue_probability"] + answered["left_off_probability"] == pytest.approx(
        1, abs=1e-5
    )


def test_the_plain_difference_is_what_a_calculator_says(answered: Json, sample: Json) -> None:
    """Mean height minus mean base circle, exact decimals, to the last digit shown."""
    values = {
        reading["feature"]: [Decimal(value) for value in reading["values"]]
        for reading in sample["readings"]
        if reading.get("lobe") == "intake"
    }
    expected = sum(values["lobe_height"]) / 2 - sum(values["base_circle"]) / 2
    (lift,) = [d for d in answered["derived"] if d["quantity"] == "lobe_lift" and d["lobe"] == "intake"]

    assert abs(Decimal(lift["value"]) - expected) <= Decimal("0.00005")


def test_evidence_points_at_readings_and_speaks_the_caller_s_unit(answered: Json, sample: Json) -> None:
    rows = {row["reading"]: row for row in answered["candidates"][0]["evidence"]}

    row = rows["/readings/3"]
    mean = sum(Decimal(value) for value in sample["readings"][3]["values"]) / 2
    assert abs(Decimal(row["measured"]) - mean) <= Decimal("0.00005")
    assert abs(Decimal(row["difference"]) - (Decimal(row["measured"]) - Decimal(row["expected"]))) <= Decimal("0.0001")


def test_markings_are_kept_said_to_be_no_evidence_and_change_nothing(desk: Caller, sample: Json) -> None:
    with_marking = desk.submit(sample)
    without = desk.submit({name: value for name, value in sample.items() if name != "markings"})

    assert [advice["code"] for advice in with_marking["advice"]].count("marking_not_evidence") == 1
    assert "marking_not_evidence" not in [advice["code"] for advice in without["advice"]]
    assert with_marking["candidates"] == without["candidates"]
    assert with_marking["submission"]["markings"] == sample["markings"]


def test_a_family_nobody_knows_is_answered_with_advice(desk: Caller, scant: Json) -> None:
    answer = desk.submit(scant | {"engine_family": "Zzyzx Nine"})

    assert any("famil" in advice["code"] for advice in answer["advice"])


def test_every_answer_carries_the_cautions(answered: Json) -> None:
    words = " ".join(answered["cautions"])

    assert len(answered["cautions"]) >= 4
    assert "fit to run" in words
    assert "local rules" in words


def test_millimetres_come_back_as_millimetres_and_inches_as_inches(desk: Caller, scant: Json) -> None:
    """25.4 mm to the inch, exactly (the yard and pound agreement of 1959)."""
    inches = desk.submit(scant)
    metric = desk.submit(
        scant
        | {"unit": "mm", "readings": [{"feature": "journal_diameter", "position": "front", "values": ["19.0500"]}]}
    )

    def measured(answer: Json) -> Decimal:
        rows = {row["reading"]: row for row in answer["candidates"][0]["evidence"]}
        return Decimal(rows["/readings/0"]["measured"])

    assert (inches["unit"], metric["unit"]) == ("in", "mm")
    assert measured(inches) * Decimal("25.4") == measured(metric) == Decimal("19.05")


def test_what_was_written_comes_back_with_its_zeros(desk: Caller, scant: Json) -> None:
    body = scant | {
        "readings": [{"feature": "journal_diameter", "position": "front", "values": ["0.7500", "0.75", 0.75]}]
    }

    assert desk.submit(body)["submission"]["readings"][0]["values"] == ["0.7500", "0.75", "0.75"]


def test_an_opened_submission_lies_where_its_location_says(desk: Caller, sample: Json) -> None:
    opened = desk.post("/v1/submissions", sample)

    assert opened.status_code == 201
    assert opened.headers["Location"] == f"/v1/submissions/{opened.get_json()['id']}"
    read = desk.get(opened.headers["Location"])
    assert read.status_code == 200
    assert read.get_json() == opened.get_json()
    assert uuid.UUID(opened.get_json()["id"]).version == 7


def test_added_readings_join_the_others_and_all_are_answered(desk: Caller, sample: Json) -> None:
    first = desk.submit(sample | {"readings": sample["readings"][:2]})
    more = desk.post(f"/v1/submissions/{first['id']}/readings", {"readings": sample["readings"][2:]})
    whole = desk.submit(sample)

    assert more.status_code == 200
    answer = more.get_json()
    assert answer["round"] == 2
    assert answer["id"] == first["id"]
    assert answer["submission"]["readings"] == whole["submission"]["readings"]
    assert answer["candidates"] == whole["candidates"]


def test_a_count_can_be_added_without_a_reading(desk: Caller, scant: Json) -> None:
    first = desk.submit(scant)

    answer = desk.post(f"/v1/submissions/{first['id']}/readings", {"counts": {"gear_teeth": 28}}).get_json()

    assert answer["submission"]["counts"] == {"gear_teeth": 28}
    assert answer["round"] == 2


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({}, ""),
        ({"readings": []}, "/readings"),
        ({"source": "web"}, "/source"),
        ({"readings": [{"feature": "lobe_lift", "values": [0.3]}]}, "/readings/0/lobe"),
        ({"unit": "mm", "ask_person": True}, "/unit"),
    ],
    ids=["nothing", "no readings", "a member of the whole only", "a reading without its lobe", "another unit"],
)
def test_an_addition_that_cannot_be_meant_is_refused(desk: Caller, scant: Json, body: Json, pointer: str) -> None:
    first = desk.submit(scant)

    response = desk.post(f"/v1/submissions/{first['id']}/readings", body)

    assert response.status_code == 422
    assert [fault["pointer"] for fault in response.get_json()["errors"]] == [pointer]
    assert desk.get(f"/v1/submissions/{first['id']}").get_json() == first


def test_whom_to_answer_and_what_else_was_said_later_join_the_same_case(desk: Caller, scant: Json) -> None:
    first = desk.submit(scant | {"contact": {"name": "A. Caller"}, "note": "Old."})
    later: Json = {
        "contact": {"name": "A. Caller", "email": "caller@example.org"},
        "counts": {"gear_teeth": 28},
        "engine_family": "unheard of",
        "experience": "practised",
        "condition": "used",
        "tools": ["digital_caliper", "outside_micrometer"],
        "note": "New.",
    }

    answer = desk.post(f"/v1/submissions/{first['id']}/readings", later).get_json()

    assert answer["reference"] == first["reference"]
    assert answer["submission"] == first["submission"] | later | {"contact": later["contact"] | {"phone": None}}
    trail = desk.get(f"/v1/cases/{first['id']}").get_json()["trail"]
    assert "contact_written" in [entry["action"] for entry in trail]


def test_a_shop_s_public_key_cannot_turn_an_answer_to_somebody_else(widget: Caller, scant: Json) -> None:
    first = widget.submit(scant)
    path = f"/v1/submissions/{first['id']}/readings"

    said = widget.post(path, {"contact": {"email": "caller@example.org"}})
    again = widget.post(path, {"contact": {"email": "thief@example.org"}})

    assert said.status_code == 200
    assert again.status_code == 422
    assert [fault["pointer"] for fault in again.get_json()["errors"]] == ["/contact"]


def test_an_addition_in_another_unit_is_told_in_words(desk: Caller, scant: Json) -> None:
    first = desk.submit(scant)

    refused = desk.post(f"/v1/submissions/{first['id']}/readings", {"unit": "mm", "ask_person": True}).get_json()

    assert refused["errors"][0]["detail"] == "This submission is in inches; give what is added in inches too."


def test_readings_can_be_added_up_to_sixty(desk: Caller, scant: Json) -> None:
    flank = {"feature": "flank_width", "lobe": "intake", "values": ["1.0105"]}
    first = desk.submit(scant | {"readings": scant["readings"] + [flank] * 58})
    path = f"/v1/submissions/{first['id']}/readings"

    refused = desk.post(path, {"readings": [flank] * 2})
    taken = desk.post(path, {"readings": [flank]})

    assert refused.status_code == 422
    assert refused.get_json()["errors"][0]["pointer"] == "/readings"
    assert taken.status_code == 200


@pytest.mark.parametrize("route", ["", "/chart.svg", "/readings"])
def test_a_submission_nobody_opened_is_not_found(desk: Caller, route: str) -> None:
    path = f"/v1/submissions/{uuid.uuid4()}{route}"

    response = desk.post(path, {"ask_person": True}) if route == "/readings" else desk.get(path)

    assert response.status_code == 404
    assert response.get_json()["code"] == "not_found"


def test_the_chart_is_svg_with_a_title_and_a_description(desk: Caller, answered: Json) -> None:
    response = desk.get(f"/v1/submissions/{answered['id']}/chart.svg")

    assert response.status_code == 200
    assert response.content_type == "image/svg+xml"
    root = ET.fromstring(response.data)
    space = {"svg": "http://www.w3.org/2000/svg"}
    assert root.find("svg:title", space) is not None
    assert root.find("svg:desc", space) is not None
    assert answered["candidates"][0]["part_number"] in response.get_data(as_text=True)
