"""Whoever has a return link sees and adds to one case, as its customer, and needs no key."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import psycopg
import pytest
from flask import Flask

from service.settings import Settings
from tests.api.conftest import Caller
from tests.integration.test_photos import png_of

Json = dict[str, Any]
READING = {"feature": "lobe_height", "lobe": "intake", "values": ["1.1190"]}
Follow = Callable[[Json], Caller]


@pytest.fixture
def follow(app: Flask, desk: Caller) -> Follow:
    """Somebody with a link to a case, that the desk has made."""

    def made(answer: Json) -> Caller:
        link = desk.post(f"/v1/submissions/{answer['id']}/links").get_json()
        assert link["page"] == f"/return/#{link['token']}"
        return Caller(app, link["token"])

    return made


def test_a_link_shows_the_case_as_its_customer_may_see_it_whoever_took_it(
    desk: Caller, scant: Json, follow: Follow
) -> None:
    private = {
        "contact": {"email": "quiet@shop.example"},
        "note": "poison",
        "markings": [{"place": "end", "text": "7"}],
    }
    answer = desk.submit(scant | private)

    shown = follow(answer).get("/v1/own-case")

    assert shown.status_code == 200
    assert shown.headers["Cache-Control"] == "private, no-cache"
    own = shown.get_json()
    assert (own["id"], own["reference"]) == (answer["id"], answer["reference"])
    assert not {"markings", "note", "contact"} & own["submission"].keys()
    assert all("evidence" not in each for each in own["candidates"])
    assert "quiet" not in shown.get_data(as_text=True)


def test_readings_a_question_and_a_photo_are_added_by_link(
    widget: Caller, desk: Caller, scant: Json, follow: Follow
) -> None:
    answer = widget.submit(scant)
    customer = follow(answer)

    added = customer.post("/v1/own-case/readings", {"readings": [READING], "ask_person": True})
    photo = customer.send("POST", "/v1/own-case/photos", data=png_of(8, 8), content_type="image/png")

    assert added.status_code == 200
    assert added.get_json()["round"] == 2
    assert added.get_json()["expected_reply_at"] is not None
    assert photo.status_code == 201
    (kept,) = desk.get(f"/v1/submissions/{answer['id']}/photos").get_json()["items"]
    assert kept["added_by"] == "customer with a link"
    assert customer.get("/v1/own-case/notice?language=de").get_json()["language"] == "de"


def test_a_link_opens_its_case_and_nothing_else(desk: Caller, scant: Json, follow: Follow) -> None:
    answer = desk.submit(scant)
    customer = follow(answer)

    for path in (f"/v1/submissions/{answer['id']}", "/v1/reviews", "/v1/privacy/notice"):
        assert customer.get(path).status_code == 401
    assert desk.get("/v1/own-case").status_code == 401
    elsewhere = customer.get("/v1/own-case", Origin="https://elsewhere.example")
    assert elsewhere.status_code == 403


def test_two_links_of_one_store_share_no_reply(widget: Caller, scant: Json, follow: Follow) -> None:
    customers = [follow(widget.submit(scant)) for _ in range(2)]

    replies = [each.post("/v1/own-case/readings", {"readings": [READING]}, Idempotency_Key="1") for each in customers]

    assert [each.status_code for each in replies] == [200, 422]


def test_a_link_that_lapsed_or_never_was_opens_nothing(
    app: Flask, desk: Caller, scant: Json, follow: Follow, api_settings: Settings
) -> None:
    answer = desk.submit(scant)
    customer = follow(answer)
    with psycopg.connect(str(api_settings.database_url)) as connection:
        connection.execute(
            "UPDATE return_links SET lapses_at = now() - interval '1 second' WHERE submission_id = %s", [answer["id"]]
        )

    for caller in (customer, Caller(app, "A" * 32), Caller(app, "no link")):
        refused = caller.get("/v1/own-case")
        assert refused.status_code == 401
        assert "lapsed" in refused.get_json()["detail"]
        assert caller.post("/v1/own-case/readings", {"readings": [READING]}).status_code == 401


def test_a_link_leads_on_to_the_case_that_its_own_became_part_of(desk: Caller, scant: Json, follow: Follow) -> None:
    first, second = desk.submit(scant), desk.submit(scant)
    customer = follow(first)
    assert (
        desk.post(f"/v1/cases/{first['id']}/merge", {"into": second["id"], "reason": "One caller."}).status_code == 200
    )

    assert customer.get("/v1/own-case").get_json()["reference"] == first["reference"]
    assert customer.post("/v1/own-case/readings", {"readings": [READING]}).status_code == 200
    assert desk.get(f"/v1/submissions/{second['id']}").get_json()["round"] > 1
