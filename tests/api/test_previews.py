"""Answers while readings are being typed."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from typing import Any

from tests.api.conftest import Caller

Json = dict[str, Any]

OF_WHAT_IS_SAID = {"state", "answer", "candidates", "derived", "suspected_slips", "next_reading", "advice", "cautions"}


def preview(caller: Caller, body: Json) -> Json:
    response = caller.post("/v1/previews", body)
    assert response.status_code == 200, response.get_data(as_text=True)
    said: Json = response.get_json()
    return said


def test_a_preview_says_what_the_submission_will_be_told(desk: Caller, sample: Json) -> None:
    said = preview(desk, sample)
    kept = desk.submit(sample)

    chart = said.pop("chart")
    assert said == {name: value for name, value in kept.items() if name in said}
    assert set(said) >= OF_WHAT_IS_SAID
    assert chart == desk.get(f"/v1/submissions/{kept['id']}/chart.svg").get_data(as_text=True)
    assert ET.fromstring(chart).tag.endswith("svg")


def test_a_preview_puts_nothing_before_anybody(desk: Caller, scant: Json) -> None:
    def waiting() -> list[Json]:
        items: list[Json] = desk.get("/v1/reviews?state=waiting&limit=100").get_json()["items"]
        return items

    before = waiting()
    preview(desk, scant | {"ask_person": True})

    assert waiting() == before


def test_a_widget_s_preview_gives_away_no_evidence_and_no_chart(widget: Caller, sample: Json) -> None:
    said = preview(widget, sample)

    assert said["chart"] is None
    assert said["candidates"]
    assert all("evidence" not in candidate for candidate in said["candidates"])


def test_what_was_meant_can_be_put_in_place_of_what_was_written(desk: Caller, sample: Json) -> None:
    before = preview(desk, sample)
    swapped = {"lobe_height": "base_circle", "base_circle": "lobe_height"}
    written = [
        reading | {"feature": swapped.get(reading["feature"], reading["feature"])} if "lobe" in reading else reading
        for reading in sample["readings"]
    ]
    intake = [i for i, reading in enumerate(written) if reading.get("lobe") == "intake"]
    slipped = sample | {"readings": [r if i in intake else sample["readings"][i] for i, r in enumerate(written)]}

    (slip,) = [s for s in preview(desk, slipped)["suspected_slips"] if s["slip"] == "height_base_swapped"]
    assert slip["correction"]["unit"] is None
    readings = list(slipped["readings"])
    for each in slip["correction"]["readings"]:
        readings[int(each["pointer"].rpartition("/")[2])] = each["reading"]
    after = preview(desk, slipped | {"readings": readings})

    assert after["suspected_slips"] == []
    assert after["answer"] == before["answer"]


def test_a_mistaken_unit_is_corrected_by_the_unit_alone(desk: Caller, sample: Json) -> None:
    for reading in sample["readings"]:
        reading["values"] = [f"{float(value) * 25.4:.2f}" for value in reading["values"]]

    slips = {slip["slip"]: slip for slip in preview(desk, sample)["suspected_slips"]}

    assert slips["unit_mistaken"]["correction"] == {"unit": "mm", "readings": []}
    assert preview(desk, sample | {"unit": "mm"})["answer"] is not None


def test_digits_that_were_swapped_come_back_in_order(desk: Caller, sample: Json) -> None:
    sample["readings"][3]["values"] = ["1.0285"]

    slips = preview(desk, sample)["suspected_slips"]

    assert next(
        each["reading"]["values"] for slip in slips if slip["correction"] for each in slip["correction"]["readings"]
    ) == ["1.2085"]
