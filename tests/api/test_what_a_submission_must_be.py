"""Bad input: a clear error that names the field by JSON Pointer, and nothing kept."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest
from flask import Flask

from service.app import EXTENSION
from tests.api.conftest import Caller

Json = dict[str, Any]

HEIGHT = {"feature": "lobe_height", "lobe": "intake", "values": ["1.1725"]}


def with_reading(**changes: Any) -> Json:
    """A submission of one height, changed; a change to None takes the member away."""
    reading = {name: value for name, value in (HEIGHT | changes).items() if value is not None}
    return {"source": "phone", "unit": "in", "readings": [reading]}


def with_head(**changes: Any) -> Json:
    whole = {"source": "phone", "unit": "in", "readings": [copy.deepcopy(HEIGHT)]} | changes
    return {name: value for name, value in whole.items() if value is not ...}


REFUSED: dict[str, tuple[Any, str]] = {
    # wrong types and shapes
    "a list for a body": ([], ""),
    "text for a body": ("hello", ""),
    "null for a body": (None, ""),
    "no source": (with_head(source=...), "/source"),
    "no unit": (with_head(unit=...), "/unit"),
    "no readings": (with_head(readings=...), "/readings"),
    "an unknown source": (with_head(source="pigeon"), "/source"),
    "an unknown unit": (with_head(unit="cm"), "/unit"),
    "a number for a unit": (with_head(unit=1), "/unit"),
    "an unknown member": (with_head(colour="red"), "/colour"),
    "a member whose name has a slash and a tilde": (with_head(**{"a/b~c": 1}), "/a~1b~0c"),
    "readings that are an object": (with_head(readings={}), "/readings"),
    "no reading at all": (with_head(readings=[]), "/readings"),
    "sixty-one readings": (with_head(readings=[HEIGHT] * 61), "/readings"),
    "a reading that is text": (with_head(readings=["1.1725"]), "/readings/0"),
    "an unknown instrument": (with_head(instrument="ruler"), "/instrument"),
    "text for a truth": (with_head(ask_person="yes"), "/ask_person"),
    "a number for a truth": (with_head(ask_person=1), "/ask_person"),
    "an unknown experience": (with_head(experience="expert"), "/experience"),
    "an unknown condition": (with_head(condition="rusty"), "/condition"),
    "an empty engine family": (with_head(engine_family=""), "/engine_family"),
    "an endless engine family": (with_head(engine_family="x" * 101), "/engine_family"),
    "a NUL in the engine family": (with_head(engine_family="a\x00b"), "/engine_family"),
    "a NUL in the note": (with_head(note="\x00"), "/note"),
    "an endless note": (with_head(note="x" * 4001), "/note"),
    "teeth in words": (with_head(counts={"gear_teeth": "28"}), "/counts/gear_teeth"),
    "half a tooth": (with_head(counts={"gear_teeth": 28.5}), "/counts/gear_teeth"),
    "no teeth": (with_head(counts={"gear_teeth": 0}), "/counts/gear_teeth"),
    "true for teeth": (with_head(counts={"gear_teeth": True}), "/counts/gear_teeth"),
    "more teeth than a gear has": (with_head(counts={"gear_teeth": 10**30}), "/counts/gear_teeth"),
    "an unknown count": (with_head(counts={"spots": 3}), "/counts/spots"),
    "a marking without its place": (with_head(markings=[{"text": "K7"}]), "/markings/0/place"),
    "a NUL in a marking": (with_head(markings=[{"place": "gear", "text": "K\x00"}]), "/markings/0/text"),
    "an unknown tool": (with_head(tools=["hammer"]), "/tools/0"),
    "an address that is none": (with_head(contact={"email": "nobody"}), "/contact/email"),
    "a contact that is text": (with_head(contact="me"), "/contact"),
    # readings
    "no feature": (with_reading(feature=None), "/readings/0/feature"),
    "an unknown feature": (with_reading(feature="weight"), "/readings/0/feature"),
    "a number for a feature": (with_reading(feature=7), "/readings/0/feature"),
    "no values": (with_reading(values=None), "/readings/0/values"),
    "empty values": (with_reading(values=[]), "/readings/0/values"),
    "hundreds of repeats": (with_reading(values=["1.17"] * 51), "/readings/0/values"),
    "a value by itself": (with_reading(values="1.17"), "/readings/0/values"),
    "a value in words": (with_reading(values=["1.17", "an inch"]), "/readings/0/values/1"),
    "an empty value": (with_reading(values=[""]), "/readings/0/values/0"),
    "a null value": (with_reading(values=["1.1", "1.1", None]), "/readings/0/values/2"),
    "true for a value": (with_reading(values=[True]), "/readings/0/values/0"),
    "NaN in text": (with_reading(values=["NaN"]), "/readings/0/values/0"),
    "infinity in text": (with_reading(values=["Infinity"]), "/readings/0/values/0"),
    "1e400 in text": (with_reading(values=["1e400"]), "/readings/0/values/0"),
    "an exponent in text": (with_reading(values=["1e0"]), "/readings/0/values/0"),
    "digits of another script": (with_reading(values=["١.١"]), "/readings/0/values/0"),
    "an underscore among digits": (with_reading(values=["1_0.5"]), "/readings/0/values/0"),
    "a comma for a point": (with_reading(values=["1,17"]), "/readings/0/values/0"),
    "forty decimals": (with_reading(values=["1." + "1" * 40]), "/readings/0/values/0"),
    "forty digits": (with_reading(values=["1" * 40]), "/readings/0/values/0"),
    "a line end after the digits": (with_reading(values=["1.17\n"]), "/readings/0/values/0"),
    "zero": (with_reading(values=[0]), "/readings/0/values/0"),
    "zero in text": (with_reading(values=["0.000"]), "/readings/0/values/0"),
    "negative": (with_reading(values=[-1.17]), "/readings/0/values/0"),
    "negative in text": (with_reading(values=["-1.17"]), "/readings/0/values/0"),
    "all but nothing": (with_reading(values=[1e-300]), "/readings/0/values/0"),
    "a hundred thousand": (with_reading(values=[100_000]), "/readings/0/values/0"),
    "1e30 as a number": (with_reading(values=[1e30]), "/readings/0/values/0"),
    "a lobe height without its lobe": (with_reading(lobe=None), "/readings/0/lobe"),
    "an unknown lobe": (with_reading(lobe="middle"), "/readings/0/lobe"),
    "cylinder nought": (with_reading(cylinder=0), "/readings/0/cylinder"),
    "cylinder in text": (with_reading(cylinder="1"), "/readings/0/cylinder"),
    "a lobe height on a journal": (with_reading(position="front"), "/readings/0/position"),
    "a tool that cannot take it": (with_reading(instrument="degree_wheel"), "/readings/0/instrument"),
    "a tool nobody knows": (with_reading(instrument="ruler"), "/readings/0/instrument"),
    "a journal without its position": (
        with_reading(feature="journal_diameter", lobe=None),
        "/readings/0/position",
    ),
    "a journal on a lobe": (
        with_reading(feature="journal_diameter", position="front"),
        "/readings/0/lobe",
    ),
    "a valve lift without the rocker's ratio": (with_reading(feature="valve_lift"), "/readings/0/rocker_ratio"),
    "a rocker ratio of nothing": (with_reading(feature="valve_lift", rocker_ratio=0), "/readings/0/rocker_ratio"),
    "a negative lash": (with_reading(feature="valve_lift", rocker_ratio=1.5, lash=-0.1), "/readings/0/lash"),
    "a duration without its checking lift": (
        with_reading(feature="duration", degrees="crank", at="lobe", values=[232]),
        "/readings/0/checking_lift",
    ),
    "a duration of nobody's degrees": (
        with_reading(feature="duration", checking_lift="0.050", at="lobe", values=[232]),
        "/readings/0/degrees",
    ),
    "a duration from nowhere": (
        with_reading(feature="duration", checking_lift="0.050", degrees="crank", values=[232]),
        "/readings/0/at",
    ),
    "a duration of three turns": (
        with_reading(feature="duration", checking_lift="0.050", degrees="crank", at="lobe", values=[1080]),
        "/readings/0/values/0",
    ),
    "a valve event without the event": (
        with_reading(feature="valve_event", lobe=None, checking_lift="0.050", at="lobe", values=[-12]),
        "/readings/0/event",
    ),
    "a zero check of nothing known": (with_reading(feature="zero_check", lobe=None), "/readings/0/reference"),
    "an unknown flank": (with_reading(feature="flank_width", flank="left"), "/readings/0/flank"),
}


@pytest.mark.parametrize(("body", "pointer"), REFUSED.values(), ids=REFUSED)
def test_what_cannot_be_meant_is_refused_by_the_name_of_its_field(desk: Caller, body: Any, pointer: str) -> None:
    response = desk.send("POST", "/v1/submissions", data=json.dumps(body), content_type="application/json")

    assert response.status_code == 422
    assert response.content_type == "application/problem+json"
    problem = response.get_json()
    assert problem["status"] == 422
    assert problem["code"] == "invalid_input"
    assert pointer in [fault["pointer"] for fault in problem["errors"]]
    assert all(fault["detail"] and fault["in"] == "body" for fault in problem["errors"])


def test_every_fault_is_named_at_once(desk: Caller) -> None:
    body = with_head(
        unit="cm", readings=[HEIGHT, {"feature": "base_circle", "values": ["x", 0]}, {"feature": "duration"}]
    )

    problem = desk.post("/v1/submissions", body).get_json()

    assert {fault["pointer"] for fault in problem["errors"]} == {
        "/unit",
        "/readings/1/lobe",
        "/readings/1/values/0",
        "/readings/1/values/1",
        "/readings/2/values",
        "/readings/2/lobe",
        "/readings/2/checking_lift",
        "/readings/2/degrees",
        "/readings/2/at",
    }


def test_a_refused_submission_leaves_nothing_behind(app: Flask, desk: Caller) -> None:
    def counted() -> int:
        with app.extensions[EXTENSION].pool.connection() as connection:
            row = connection.execute("SELECT count(*) AS n FROM submissions").fetchone()
        assert row is not None
        return int(row["n"])

    before = counted()
    desk.post("/v1/submissions", with_reading(values=["0"]), Idempotency_Key="refused-once")

    assert counted() == before


ACCEPTED: dict[str, Json] = {
    "a number": with_reading(values=[1.1725]),
    "a whole number": with_reading(values=[1]),
    "a decimal without its nought": with_reading(values=[".8605"]),
    "fifty repeats": with_reading(values=["1.17"] * 50),
    "eight decimals": with_reading(values=["1.17250000"]),
    "5.0 for a whole number": with_head(counts={"gear_teeth": 28.0}),
    "nulls where nothing is known": with_head(
        engine_family=None, experience=None, condition=None, instrument=None, counts=None, tools=None, note=None
    ),
    "a height below the base circle": with_head(
        readings=[HEIGHT, {"feature": "base_circle", "lobe": "intake", "values": ["1.4000"]}]
    ),
    "millimetres sent as inches": with_head(
        readings=[
            {"feature": "journal_diameter", "position": "front", "values": ["19.05"]},
            {"feature": "lobe_height", "lobe": "intake", "values": ["30.70"]},
            {"feature": "base_circle", "lobe": "intake", "values": ["21.88"]},
        ]
    ),
    "a family nobody knows": with_head(engine_family="Zzyzx Nine"),
    "text in every script": with_head(note="Größe 0.75 ″ — 測定 🙂", contact={"name": "Ωmega"}),
    "every feature there is": {
        "source": "mail_in",
        "unit": "mm",
        "readings": [
            {"feature": "journal_diameter", "position": "middle", "values": ["19.05"], "instrument": "bench"},
            {"feature": "lobe_height", "lobe": "exhaust", "cylinder": 2, "values": [30.9, "30.91"]},
            {"feature": "base_circle", "lobe": "exhaust", "cylinder": 2, "values": ["21.9"]},
            {"feature": "flank_width", "lobe": "intake", "values": ["25.1"], "flank": "opening"},
            {"feature": "flank_width", "lobe": "intake", "values": ["25.1"], "included_angle": 60},
            {"feature": "lobe_lift", "lobe": "intake", "values": ["8.95"], "instrument": "dial_indicator"},
            {"feature": "valve_lift", "lobe": "intake", "values": ["9.4"], "rocker_ratio": "1.1", "lash": 0},
            {
                "feature": "duration",
                "lobe": "intake",
                "values": [230, "231.5"],
                "checking_lift": 1,
                "degrees": "crank",
                "at": "lobe",
            },
            {
                "feature": "valve_event",
                "event": "intake_opens",
                "values": [-12],
                "checking_lift": "1.0",
                "at": "valve",
            },
            {"feature": "lobe_separation", "values": [108]},
            {"feature": "overall_length", "values": ["130.05"]},
            {"feature": "zero_check", "reference": "0", "values": ["-0.01", 0, "0.00"]},
            {"feature": "zero_check", "reference": 25, "values": ["25.01"], "instrument": "outside_micrometer"},
        ],
    },
}


@pytest.mark.parametrize("body", ACCEPTED.values(), ids=ACCEPTED)
def test_what_can_be_meant_is_answered(desk: Caller, body: Json) -> None:
    answer = desk.submit(body)

    assert answer["state"] in ("identified", "ambiguous", "not_in_catalogue", "more_readings_needed")
    assert len(answer["submission"]["readings"]) == len(body["readings"])


def test_a_name_that_comes_twice_is_refused_and_nothing_is_taken_silently(desk: Caller) -> None:
    body = b'{"source": "phone", "unit": "in", "readings": [], "unit": "mm"}'

    refused = desk.send("POST", "/v1/submissions", data=body, content_type="application/json")

    assert refused.status_code == 400
    assert refused.get_json()["detail"] == 'The body has the name "unit" twice in one object; give it once.'


@pytest.mark.parametrize("depth", [200, 900, 990, 1010, 5000])
def test_a_body_however_deep_is_never_an_error_of_ours(desk: Caller, depth: int) -> None:
    body = b'{"readings": ' + b"[" * depth + b"]" * depth + b"}"

    assert desk.send("POST", "/v1/submissions", data=body, content_type="application/json").status_code in (400, 422)


def test_what_is_wrong_in_a_query_is_said_to_be_in_the_query(desk: Caller) -> None:
    [fault] = desk.get("/v1/cases?reference=12345678").get_json()["errors"]

    assert (fault["pointer"], fault["in"]) == ("/reference", "query")


def test_an_idempotency_key_that_came_before_is_named(desk: Caller, scant: Json) -> None:
    desk.submit(scant, Idempotency_Key="named-when-it-comes-again")

    refused = desk.post("/v1/submissions", scant | {"note": "another"}, Idempotency_Key="named-when-it-comes-again")

    assert refused.status_code == 422
    [fault] = refused.get_json()["errors"]
    assert (fault["pointer"], fault["in"]) == ("/Idempotency-Key", "header")


def test_an_address_that_is_not_there_and_a_method_it_does_not_take_are_told(desk: Caller) -> None:
    nowhere, put = desk.get("/v1/submissions/seven"), desk.send("PUT", "/v1/submissions", json={})

    assert nowhere.get_json()["detail"].startswith("There is nothing at /v1/submissions/seven; /docs lists")
    assert put.get_json()["detail"] == "This address does not take PUT; it takes OPTIONS, POST."
