"""The queue: exactly one review for a case that needs a person, and its listing."""

from __future__ import annotations

from typing import Any

import pytest

from tests.api.conftest import Caller

Json = dict[str, Any]

STRANGER: Json = {
    "source": "counter",
    "unit": "in",
    "instrument": "digital_caliper",
    "experience": "practised",
    "readings": [
        {"feature": "journal_diameter", "position": "front", "values": ["0.7500", "0.7500"]},
        {"feature": "lobe_height", "lobe": "intake", "values": ["1.2810", "1.2810"]},
        {"feature": "base_circle", "lobe": "intake", "values": ["0.8610", "0.8610"]},
        {"feature": "lobe_height", "lobe": "exhaust", "values": ["1.2910", "1.2910"]},
        {"feature": "base_circle", "lobe": "exhaust", "values": ["0.8610", "0.8610"]},
    ],
}
"""A core of the invented catalogue, measured well, with far more lift than anything that is sold on it."""


def listed(caller: Caller, query: str = "") -> list[Json]:
    """Every review, page by page."""
    items: list[Json] = []
    cursor: str | None = None
    while True:
        page = caller.get(f"/v1/reviews?limit=50{query}" + (f"&cursor={cursor}" if cursor else ""))
        assert page.status_code == 200
        items += page.get_json()["items"]
        cursor = page.get_json()["next_cursor"]
        if cursor is None:
            return items


def test_who_asks_for_a_person_gets_one(desk: Caller, scant: Json) -> None:
    answer = desk.submit(scant | {"ask_person": True})

    assert answer["review"]["state"] == "waiting"
    assert answer["review"]["reason"] == "person_asked_for"
    (review,) = [review for review in listed(desk) if review["submission_id"] == answer["id"]]
    assert review["id"] == answer["review"]["id"]


def test_who_can_still_measure_cheaply_waits_for_nobody(desk: Caller, scant: Json) -> None:
    answer = desk.submit(scant)

    assert answer["state"] == "more_readings_needed"
    assert answer["next_reading"] is not None
    assert answer["review"] is None


def test_a_shaft_nobody_sells_goes_to_a_person(desk: Caller) -> None:
    answer = desk.submit(STRANGER)

    assert answer["state"] == "not_in_catalogue"
    assert answer["answer"] is None
    assert answer["review"]["reason"] == "not_in_catalogue"


def test_however_often_it_is_answered_a_submission_has_one_review(desk: Caller, scant: Json) -> None:
    first = desk.submit(scant | {"ask_person": True})
    path = f"/v1/submissions/{first['id']}/readings"

    again = [desk.post(path, {"ask_person": True}).get_json() for _ in range(2)]

    assert {answer["review"]["id"] for answer in again} == {first["review"]["id"]}
    assert len([review for review in listed(desk) if review["submission_id"] == first["id"]]) == 1


def test_a_review_asked_for_later_is_opened_then(desk: Caller, scant: Json) -> None:
    first = desk.submit(scant)

    later = desk.post(f"/v1/submissions/{first['id']}/readings", {"ask_person": True}).get_json()

    assert first["review"] is None
    assert later["review"]["reason"] == "person_asked_for"


def test_pages_follow_each_other_without_a_gap_or_a_repeat(desk: Caller, scant: Json) -> None:
    opened = [desk.submit(scant | {"ask_person": True})["review"]["id"] for _ in range(5)]
    ids: list[str] = []
    cursor = None
    while True:
        page = desk.get(f"/v1/reviews?state=waiting&limit=2{f'&cursor={cursor}' if cursor else ''}").get_json()
        assert len(page["items"]) <= 2
        ids += [item["id"] for item in page["items"]]
        cursor = page["next_cursor"]
        if cursor is None:
            break

    assert ids == sorted(ids)
    assert len(ids) == len(set(ids))
    assert set(opened) <= set(ids)


@pytest.mark.parametrize("state", ["waiting", "claimed", "decided", "withdrawn"])
def test_a_list_of_one_state_holds_that_state_alone(desk: Caller, scant: Json, state: str) -> None:
    desk.submit(scant | {"ask_person": True})

    assert {review["state"] for review in listed(desk, f"&state={state}")} <= {state}


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ("state=asleep", "/state"),
        ("limit=0", "/limit"),
        ("limit=101", "/limit"),
        ("limit=1_0", "/limit"),
        ("limit=٥", "/limit"),
        ("limit=" + "9" * 400, "/limit"),
        ("cursor=short", "/cursor"),
        ("cursor=" + "A" * 21 + "B", "/cursor"),
        ("cursor=%00", "/cursor"),
        ("colour=red", "/colour"),
    ],
)
def test_a_query_that_cannot_be_meant_is_refused(desk: Caller, query: str, pointer: str) -> None:
    response = desk.get(f"/v1/reviews?{query}")

    assert response.status_code == 422
    (fault,) = response.get_json()["errors"]
    assert (fault["pointer"], fault["in"]) == (pointer, "query")
