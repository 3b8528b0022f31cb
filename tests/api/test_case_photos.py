"""Photos that come with a submission: anybody's own to add, the desk's to see."""

from __future__ import annotations

import io
from typing import Any
from uuid import uuid4

import pytest
from PIL import Image
from werkzeug.test import TestResponse

from service.domain.access import Role
from service.settings import Settings
from service.workflows.cases.case_photos import MOST_CUSTOMER_PHOTOS
from tests.api.conftest import Caller
from tests.integration.test_photos import png_of, with_a_place

Json = dict[str, Any]


def send(caller: Caller, submission_id: str, body: bytes, kind: str = "image/jpeg", **headers: str) -> TestResponse:
    path = f"/v1/submissions/{submission_id}/photos"
    return caller.send("POST", path, data=body, content_type=kind, headers=headers)


def test_a_customer_adds_a_photo_and_the_desk_sees_it_without_where_it_was_taken(
    widget: Caller, desk: Caller, scant: Json
) -> None:
    case = widget.submit(scant)
    sent = with_a_place()
    assert b"POISON" in sent

    added = send(widget, case["id"], sent)
    assert added.status_code == 201, added.get_data(as_text=True)
    assert desk.get(f"/v1/submissions/{case['id']}/photos").get_json() == {"items": [added.get_json()]}
    photo = desk.get(added.headers["Location"])
    assert photo.content_type == "image/jpeg"
    assert b"POISON" not in photo.data
    with Image.open(io.BytesIO(photo.data)) as image:
        assert not image.getexif()
    actions = [entry["action"] for entry in desk.get(f"/v1/cases/{case['id']}").get_json()["trail"]]
    assert {"photo_added", "photo_seen"} <= set(actions)


def test_a_store_s_key_sees_no_photo_and_adds_none_to_another_s_case(
    widget: Caller, other_widget: Caller, desk: Caller, scant: Json
) -> None:
    case = widget.submit(scant)
    url = send(widget, case["id"], png_of(8, 8), "image/png").get_json()["url"]

    assert send(other_widget, case["id"], png_of(8, 8), "image/png").status_code == 404
    assert widget.get(url).status_code == 403
    assert widget.get(f"/v1/submissions/{case['id']}/photos").status_code == 403
    assert desk.get(f"/v1/submissions/{uuid4()}/photos").status_code == 404
    other = widget.submit(scant)
    assert desk.get(url.replace(case["id"], other["id"])).status_code == 404


@pytest.mark.parametrize(
    ("body", "kind", "status", "code"),
    [
        (b"GIF89a;alert(1)", "image/jpeg", 422, "not_a_photo"),
        (b"", "image/png", 422, "not_a_photo"),
        (png_of(8, 8), "application/json", 415, "wrong_content_type"),
    ],
)
def test_what_is_no_photo_is_refused(
    widget: Caller, desk: Caller, scant: Json, body: bytes, kind: str, status: int, code: str
) -> None:
    case = widget.submit(scant)
    refused = send(widget, case["id"], body, kind)
    assert (refused.status_code, refused.get_json()["code"]) == (status, code)
    assert desk.get(f"/v1/submissions/{case['id']}/photos").get_json() == {"items": []}


def test_a_photo_may_be_longer_than_other_bodies_and_not_longer_than_its_own_limit(
    widget: Caller, scant: Json, api_settings: Settings
) -> None:
    case = widget.submit(scant)
    padded = png_of(8, 8) + bytes(api_settings.body_limit)
    assert send(widget, case["id"], padded, "image/png").status_code == 201
    too_long = bytes(api_settings.photo_body_limit + 1)
    assert send(widget, case["id"], too_long, "image/png").status_code == 413


def test_a_photo_sent_twice_is_one_and_there_is_an_end_to_them(widget: Caller, desk: Caller, scant: Json) -> None:
    case = widget.submit(scant)
    for number in range(MOST_CUSTOMER_PHOTOS):
        once = {"Idempotency-Key": f"{case['id']}-{number}"}
        sent = [send(widget, case["id"], png_of(8, 8), "image/png", **once) for _ in range(2)]
        assert [reply.status_code for reply in sent] == [201, 201]
        assert sent[0].get_json() == sent[1].get_json()
    assert send(widget, case["id"], png_of(8, 8), "image/png").status_code == 409
    assert len(desk.get(f"/v1/submissions/{case['id']}/photos").get_json()["items"]) == MOST_CUSTOMER_PHOTOS


def test_an_erased_customer_s_photos_are_gone(widget: Caller, desk: Caller, as_role: Any, scant: Json) -> None:
    email = f"{uuid4().hex}@post.example"
    case = widget.submit(scant | {"contact": {"email": email}})
    url = send(widget, case["id"], png_of(8, 8), "image/png").get_json()["url"]
    as_role(Role.ADMIN).post("/v1/privacy/erasure", {"email": email})
    assert desk.get(url).status_code == 404
