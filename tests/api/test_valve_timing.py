"""Valve timing over HTTP: figures out, disagreements by pointer, and readings a submission takes."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from service.web.api.valve_timing.schemas import TIMING_EXAMPLES
from tests.api.conftest import Caller

Json = dict[str, Any]


@pytest.fixture
def example() -> Json:
    return copy.deepcopy(TIMING_EXAMPLES["four_events"]["value"])


def worked_out(caller: Caller, body: Json) -> Json:
    response = caller.post("/v1/valve-timing", body)
    assert response.status_code == 200, response.get_data(as_text=True)
    found: Json = response.get_json()
    return found


def test_four_events_give_centres_separation_overlap_and_advance(desk: Caller, example: Json) -> None:
    found = worked_out(desk, example)

    figures = found["figures"]
    assert float(figures["intake_duration"]["value"]) == pytest.approx(228.3, abs=0.3)
    assert float(figures["overlap"]["value"]) == pytest.approx(14.3, abs=0.5)
    assert float(figures["lobe_separation"]["value"]) == pytest.approx(108, abs=0.2)
    assert float(figures["advance"]["standard_uncertainty"]) > 0.5
    assert found["wheel_reads_too_much"]["value"].startswith("-0.")
    assert found["disagreements"] == []
    assert found["lobes"]["intake"] == {"lobe_lift": "0.0500", "valve_lift": "0.0490"}
    assert float(found["also_at"]["figures"]["intake_duration"]["value"]) > 240
    assert found["cautions"]


def test_its_readings_are_taken_by_a_submission(desk: Caller, example: Json) -> None:
    readings = worked_out(desk, example)["readings"]

    assert [r["feature"] for r in readings] == ["duration", "duration", "lobe_separation"]
    kept = desk.submit({"source": "phone", "unit": "in", "readings": readings})
    assert "reading_kept_not_weighed" not in {advice["code"] for advice in kept["advice"]}


def test_what_cannot_hold_together_is_named_by_pointer_with_the_mistake_that_would_mend_it(
    desk: Caller, example: Json
) -> None:
    example["readings"] = [
        {"what": "intake_opens", "values": ["20"]},
        {"what": "intake_closes", "values": ["60"]},
        {"what": "intake_duration", "values": ["130"]},
    ]
    found = worked_out(desk, example)

    (wrong,) = found["disagreements"]
    assert wrong["pointers"] == ["/readings/0", "/readings/1", "/readings/2"]
    assert wrong["explanations"] == [{"pointer": "/readings/2", "slip": "cam_as_crank_degrees", "value": "260.00"}]
    assert "cam degrees" in wrong["message"]
    assert found["readings"] == []


def test_a_lash_that_is_not_taken_up_is_told(desk: Caller, example: Json) -> None:
    example["checking_lift"] = "0.004"

    assert any("lash is not taken up" in words for words in worked_out(desk, example)["advice"])


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"checking_lift": "50"}, "/checking_lift"),
        ({"lobes": {"intake": {"lift": "9"}}}, "/lobes/intake/lift"),
        ({"readings": [{"what": "intake_opens"}]}, "/readings/0/values"),
        ({"readings": [{"what": "intake_duration", "values": ["-5"]}]}, "/readings/0/values/0"),
        ({"readings": [{"what": "overlap", "equal_lifts": ["1", "2"]}]}, "/readings/0/equal_lifts"),
        ({"readings": [{"what": "nose", "values": ["1"]}]}, "/readings/0/what"),
        ({"readings": []}, "/readings"),
    ],
)
def test_what_cannot_be_meant_is_refused_at_its_field(desk: Caller, example: Json, change: Json, pointer: str) -> None:
    response = desk.post("/v1/valve-timing", example | change)

    assert response.status_code == 422
    assert pointer in {fault["pointer"] for fault in response.get_json()["errors"]}


@pytest.mark.parametrize("name", TIMING_EXAMPLES)
def test_the_documented_examples_are_taken(desk: Caller, name: str) -> None:
    worked_out(desk, TIMING_EXAMPLES[name]["value"])
