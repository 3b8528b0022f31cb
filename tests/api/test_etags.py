"""Entity tags: nothing sent twice that has not changed, and no change made blindly."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from flask import Flask

from service.domain.access import Role
from tests.api.conftest import Caller

Json = dict[str, Any]


@pytest.mark.parametrize("route", ["", "/chart.svg"])
def test_what_has_not_changed_is_not_sent_again(desk: Caller, scant: Json, route: str) -> None:
    path = f"/v1/submissions/{desk.submit(scant)['id']}{route}"
    etag = desk.get(path).headers["ETag"]

    unchanged = desk.get(path, If_None_Match=f'"something-else", {etag}')

    assert unchanged.status_code == 304
    assert unchanged.data == b""
    assert unchanged.headers["ETag"] == etag
    assert "Authorization" in unchanged.headers["Vary"]


def test_a_change_is_a_new_tag(desk: Caller, scant: Json) -> None:
    path = f"/v1/submissions/{desk.submit(scant)['id']}"
    before = desk.get(path).headers["ETag"]

    after = desk.post(f"{path}/readings", {"counts": {"gear_teeth": 28}}).headers["ETag"]

    assert after != before
    assert desk.get(path, If_None_Match=before).status_code == 200
    assert desk.get(path).headers["ETag"] == after


def test_a_widget_and_the_desk_see_different_things_under_different_tags(
    desk: Caller, widget: Caller, scant: Json
) -> None:
    path = f"/v1/submissions/{widget.submit(scant)['id']}"

    assert desk.get(path, If_None_Match=widget.get(path).headers["ETag"]).status_code == 200


def test_an_addition_to_what_has_changed_meanwhile_is_refused(desk: Caller, scant: Json) -> None:
    path = f"/v1/submissions/{desk.submit(scant)['id']}"
    etag = desk.get(path).headers["ETag"]
    desk.post(f"{path}/readings", scant, If_Match=etag)  # not an addition: refused, changes nothing
    first = desk.post(f"{path}/readings", {"readings": scant["readings"]}, If_Match=etag)

    second = desk.post(f"{path}/readings", {"readings": scant["readings"]}, If_Match=etag)

    assert first.status_code == 200
    assert second.status_code == 412
    assert second.get_json()["code"] == "stale_revision"
    assert desk.get(path).get_json()["round"] == 2


@pytest.mark.parametrize("tag", ["*", None])
def test_an_addition_needs_no_tag(desk: Caller, scant: Json, tag: str | None) -> None:
    path = f"/v1/submissions/{desk.submit(scant)['id']}/readings"

    response = desk.post(path, {"ask_person": True}, **({} if tag is None else {"If_Match": tag}))

    assert response.status_code == 200


def test_no_round_is_lost_when_many_add_at_once(app: Flask, keys: dict[Role, str], desk: Caller, scant: Json) -> None:
    path = f"/v1/submissions/{desk.submit(scant)['id']}"
    values = [f"0.75{n:02}" for n in range(6)]

    def add(value: str) -> int:
        reading = {"feature": "journal_diameter", "position": "rear", "values": [value]}
        return Caller(app, keys[Role.DESK]).post(f"{path}/readings", {"readings": [reading]}).status_code

    with ThreadPoolExecutor(3) as pool:
        statuses = list(pool.map(add, values))

    assert statuses == [200] * 6
    answer = desk.get(path).get_json()
    assert answer["round"] == 7
    assert sorted(reading["values"][0] for reading in answer["submission"]["readings"][1:]) == values
