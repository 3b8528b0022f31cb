"""A caller holds a shaft and a caliper; the desk asks for what is missing until it can answer."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from typing import Any

from tests.api.conftest import Caller

Json = dict[str, Any]


def test_a_phone_call_that_needs_two_rounds(desk: Caller, sample: Json) -> None:
    # The caller starts with the tool's zero, a journal and the length.
    first = desk.submit(sample | {"readings": sample["readings"][:3], "engine_family": None})
    path = f"/v1/submissions/{first['id']}"

    # It could be any of many grinds, so nothing is named, and the desk is told what to ask and in which words.
    assert first["state"] == "more_readings_needed"
    assert first["answer"] is None
    assert first["review"] is None
    wanted = first["next_reading"]
    assert wanted["lobe"] in ("intake", "exhaust")
    assert wanted["expected_bits"] > 0
    assert wanted["lobe"] in wanted["message"]

    # The caller puts the phone down, measures, and comes back; the line is bad and the desk presses the key twice.
    etag = desk.get(path).headers["ETag"]
    readings = sample["readings"][3:]
    replies = [
        desk.post(f"{path}/readings", {"readings": readings}, If_Match=etag, Idempotency_Key="both-lobes")
        for _ in range(2)
    ]

    # One answer, kept once, with what it rests on.
    assert [reply.status_code for reply in replies] == [200, 200]
    assert replies[0].data == replies[1].data
    answer = replies[0].get_json()
    assert answer["round"] == 2
    assert answer["state"] == "identified"
    assert answer["answer"]["probability"] > 0.95
    assert answer["next_reading"] is None
    assert {row["reading"] for row in answer["candidates"][0]["evidence"]} >= {
        f"/readings/{place}" for place in range(1, 7)
    }

    # The stamp between the lobes is kept for the desk, and said to be no evidence.
    assert answer["submission"]["markings"] == sample["markings"]
    assert any(advice["code"] == "marking_not_evidence" for advice in answer["advice"])

    # The desk looks at the chart while it reads out the cautions.
    chart = desk.get(f"{path}/chart.svg")
    assert ET.fromstring(chart.data).tag.endswith("svg")
    assert answer["answer"]["part_number"] in chart.get_data(as_text=True)
    assert answer["cautions"]

    # Whoever opens the case tomorrow sees the same.
    assert desk.get(path).get_json() == answer


def test_a_caller_who_mixes_up_height_and_base_circle_is_told(desk: Caller, sample: Json) -> None:
    swapped = {"lobe_height": "base_circle", "base_circle": "lobe_height"}
    for reading in sample["readings"]:
        if reading.get("lobe") == "intake":
            reading["feature"] = swapped[reading["feature"]]

    answer = desk.submit(sample)

    (slip,) = [slip for slip in answer["suspected_slips"] if slip["slip"] == "height_base_swapped"]
    assert slip["probability"] > 0.9
    assert slip["pointer"] in ("/readings/3", "/readings/4")
    assert slip["message"]


def test_a_caller_who_reads_millimetres_and_says_inches_is_told(desk: Caller, sample: Json) -> None:
    for reading in sample["readings"]:
        reading["values"] = [f"{float(value) * 25.4:.2f}" for value in reading["values"]]

    answer = desk.submit(sample)

    assert "unit_mistaken" in {slip["slip"] for slip in answer["suspected_slips"]}
