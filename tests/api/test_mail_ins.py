"""Shafts that are posted in, over HTTP: what may happen to one, who sees what, and what is refused."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import psycopg
import pypdf
import pytest
from flask import Flask
from PIL import Image
from werkzeug.test import TestResponse

from service.app import EXTENSION
from service.domain.access import Role
from service.domain.mail_in import IN_HOUSE, MOVES, EventKind, MailInState
from service.settings import Settings
from tests.api.conftest import Caller
from tests.integration.test_photos import png_of, with_a_place

Json = dict[str, Any]
PRIVATE: Json = {
    "contact": {"name": "A. Caller", "email": "POISON@shop.example", "phone": "POISON-PHONE"},
    "send_back_to": ["POISON-HOUSE", "Thrumbleby"],
    "note": "POISON-NOTE",
}
READINGS: list[Json] = [
    {"feature": "journal_diameter", "position": "front", "values": ["0.7498", "0.7499"]},
    {"feature": "lobe_height", "lobe": "intake", "values": ["1.2089", "1.2090"]},
    {"feature": "base_circle", "lobe": "intake", "values": ["0.8611", "0.8610"]},
]
EVENTS: dict[str, Json] = {
    "received": {"kind": "received", "place": "shelf 2", "condition": ["worn"], "note": "POISON-SHELF"},
    "moved": {"kind": "moved", "place": "bench 1"},
    "measured": {"kind": "measured", "readings": READINGS, "instrument": "outside_micrometer"},
    "reported": {"kind": "reported"},
    "consented": {"kind": "consented", "note": "by telephone, asked twice"},
    "returned": {"kind": "returned", "tracking": "T-1"},
    "scrapped": {"kind": "scrapped"},
    "withdrawn": {"kind": "withdrawn"},
}


class Shaft:
    """A shaft that somebody announced."""

    def __init__(self, caller: Caller, body: Json | None = None) -> None:
        answer = caller.post("/v1/mail-ins", {} if body is None else body)
        assert answer.status_code == 201, answer.get_data(as_text=True)
        self.caller = caller
        self.path = answer.headers["Location"]
        self.announced: Json = answer.get_json()

    def tell(self, kind: str, **said: Any) -> TestResponse:
        headers = said.pop("headers", {})
        return self.caller.post(f"{self.path}/events", EVENTS[kind] | said, **headers)

    def told(self, *kinds: str) -> Shaft:
        for kind in kinds:
            answer = self.tell(kind)
            assert answer.status_code == 200, (kind, answer.get_data(as_text=True))
        return self

    def read(self) -> Json:
        body: Json = self.caller.get(self.path).get_json()
        return body


TO: dict[str, tuple[str, ...]] = {
    "announced": (),
    "received": ("received",),
    "measured": ("received", "measured"),
    "reported": ("received", "measured", "reported"),
    "returned": ("received", "returned"),
    "scrapped": ("received", "consented", "scrapped"),
    "withdrawn": ("withdrawn",),
}


@pytest.mark.parametrize("state", list(MailInState))
def test_in_every_state_that_happens_which_can_and_all_else_is_refused(desk: Caller, state: MailInState) -> None:
    for kind in EVENTS:
        shaft = Shaft(desk).told(*TO[state])
        before = shaft.read()
        answer = shaft.tell(kind)
        after = MOVES[state].get(EventKind(kind))
        if after is None:
            assert (answer.status_code, answer.get_json()["code"]) == (409, "impossible_order"), kind
            assert shaft.read() == before
        elif kind == "scrapped":
            assert (answer.status_code, answer.get_json()["code"]) == (409, "no_consent")
            assert shaft.read() == before
        else:
            assert answer.status_code == 200, answer.get_data(as_text=True)
            assert answer.get_json()["state"] == after
            assert (answer.get_json()["place"] is not None) == (after in IN_HOUSE)
            assert (answer.get_json()["due_at"] is None) == (not MOVES[after])


def test_every_event_has_who_when_and_where(desk: Caller) -> None:
    shaft = Shaft(desk)
    then = (datetime.now(UTC) + timedelta(seconds=1)).isoformat(timespec="seconds").replace("+00:00", "Z")
    shaft.tell("received", at=then, by="R. Bench")
    first, second = shaft.read()["events"]
    assert (first["kind"], first["who"], first["place"]) == ("announced", "the tests' desk", "with its owner")
    assert (second["who"], second["place"], second["condition"]) == ("R. Bench", "shelf 2", ["worn"])
    assert datetime.fromisoformat(second["at"]) == datetime.fromisoformat(then.replace("Z", "+00:00"))
    assert datetime.fromisoformat(second["recorded_at"]) <= datetime.now(UTC)


def test_the_letter_that_reports_a_shaft_has_the_name_of_who_reported_it(desk: Caller) -> None:
    shaft = Shaft(desk).told("received", "measured")
    assert shaft.tell("reported", by="R. Bench").status_code == 200
    (letter,) = desk.get(f"/v1/submissions/{shaft.read()['submission']}/letters").get_json()["items"]
    assert letter["issued_by"] == "R. Bench"


def test_an_event_dated_tomorrow_is_refused(desk: Caller) -> None:
    shaft = Shaft(desk)
    tomorrow = (datetime.now(UTC) + timedelta(days=1)).isoformat(timespec="seconds").replace("+00:00", "Z")
    answer = shaft.tell("received", at=tomorrow)
    assert answer.status_code == 422
    assert answer.get_json()["errors"][0]["pointer"] == "/at"
    assert shaft.read() == shaft.announced


def test_an_event_dated_before_the_one_before_it_is_refused(desk: Caller) -> None:
    shaft = Shaft(desk).told("received")
    answer = shaft.tell("moved", at="2020-01-01T00:00:00Z")
    assert answer.status_code == 422
    assert answer.get_json()["errors"][0]["pointer"] == "/at"


def test_a_shaft_is_never_in_two_places(desk: Caller) -> None:
    shaft = Shaft(desk).told("received")
    assert shaft.read()["place"] == "shelf 2"
    assert shaft.tell("moved", taken_from="shelf 2", place="bench 1").get_json()["place"] == "bench 1"
    # Somebody else still believes it to lie on the shelf.
    refused = shaft.tell("moved", taken_from="shelf 2", place="bench 2")
    assert (refused.status_code, refused.get_json()["code"]) == (409, "in_two_places")
    assert "bench 1" in refused.get_json()["detail"]
    assert shaft.read()["place"] == "bench 1"
    shaft.told("returned")
    assert shaft.read()["place"] is None
    refused = shaft.tell("moved", place="bench 2")
    assert refused.status_code == 409


def test_of_two_who_move_a_shaft_at_once_one_is_told_that_it_is_gone(desk: Caller, app: Flask, keys: Any) -> None:
    shaft = Shaft(desk).told("received")
    statuses: list[int] = []

    def move(place: str) -> None:
        caller = Caller(app, keys[Role.DESK])
        body = EVENTS["moved"] | {"taken_from": "shelf 2", "place": place}
        statuses.append(caller.post(f"{shaft.path}/events", body).status_code)

    threads = [threading.Thread(target=move, args=(f"bench {number}",)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(statuses) == [200, 409, 409, 409]
    assert len(shaft.read()["events"]) == 3


def test_who_read_an_older_state_can_make_sure_not_to_change_a_newer_one(desk: Caller) -> None:
    shaft = Shaft(desk)
    etag = desk.get(shaft.path).headers["ETag"]
    shaft.told("received")
    assert shaft.tell("moved", headers={"If_Match": etag}).status_code == 412
    assert desk.get(shaft.path, If_None_Match=desk.get(shaft.path).headers["ETag"]).status_code == 304


def test_a_submission_has_one_shaft_on_its_way_at_most(desk: Caller, scant: Json) -> None:
    submission = desk.submit(scant)
    shaft = Shaft(desk, {"submission": submission["id"]})
    again = desk.post("/v1/mail-ins", {"submission": submission["id"]})
    assert again.status_code == 409
    shaft.told("received", "returned")
    assert desk.post("/v1/mail-ins", {"submission": submission["id"]}).status_code == 201


def test_bench_readings_go_to_the_submission_the_shaft_belongs_to(desk: Caller, scant: Json) -> None:
    submission = desk.submit(scant | {"contact": {"name": "A. Caller"}})
    shaft = Shaft(desk, {"submission": submission["id"]})
    assert shaft.announced["contact"]["name"] == "A. Caller"
    shaft.told("received", "measured")
    answer = desk.get(f"/v1/submissions/{submission['id']}").get_json()
    assert answer["round"] == 2
    assert [reading["instrument"] for reading in answer["submission"]["readings"][1:]] == ["outside_micrometer"] * 3
    assert shaft.read()["events"][-1]["details"] == {"round": 2}


def test_a_shaft_of_nobody_known_gets_a_submission_when_it_is_measured(widget: Caller, desk: Caller) -> None:
    shaft = Shaft(widget, {"unit": "in", **PRIVATE})
    assert shaft.announced["submission"] is None
    desk.post(f"{shaft.path}/events", EVENTS["received"])
    measured = desk.post(f"{shaft.path}/events", EVENTS["measured"]).get_json()
    answer = desk.get(f"/v1/submissions/{measured['submission']}").get_json()
    assert answer["submission"]["source"] == "mail_in"
    assert answer["submission"]["contact"]["name"] == "A. Caller"
    # It is the store's own case: whoever announced the shaft may read the answer.
    assert widget.get(f"/v1/submissions/{measured['submission']}").status_code == 200


def test_readings_in_another_unit_than_the_submission_s_are_refused(desk: Caller, scant: Json) -> None:
    submission = desk.submit(scant)
    refused = desk.post("/v1/mail-ins", {"submission": submission["id"], "unit": "mm"})
    assert refused.status_code == 422
    assert refused.get_json()["errors"][0]["detail"] == "This submission is in inches."
    shaft = Shaft(desk, {"submission": submission["id"]}).told("received")
    refused = shaft.tell("measured", unit="mm")
    assert (refused.status_code, refused.get_json()["errors"][0]["pointer"]) == (422, "/unit")
    assert shaft.read()["state"] == "received"


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"kind": "received"}, "/place"),
        ({"kind": "moved"}, "/place"),
        ({"kind": "measured"}, "/readings"),
        ({"kind": "consented"}, "/note"),
        ({"kind": "announced"}, "/kind"),
        ({"kind": "sold"}, "/kind"),
        ({"kind": "moved", "place": "x", "readings": READINGS}, "/readings"),
        ({"kind": "received", "place": "two\nlines"}, "/place"),
        ({"kind": "received", "place": "x", "condition": ["pretty"]}, "/condition/0"),
        ({"kind": "received", "place": "x", "at": "yesterday"}, "/at"),
    ],
)
def test_an_event_that_cannot_be_meant_names_the_member_at_fault(desk: Caller, body: Json, pointer: str) -> None:
    refused = desk.post(f"{Shaft(desk).path}/events", body)
    assert refused.status_code == 422
    assert pointer in [fault["pointer"] for fault in refused.get_json()["errors"]]


def test_overdue_shafts_are_listed(desk: Caller, api_settings: Settings) -> None:
    late, early = Shaft(desk), Shaft(desk)
    assert not late.announced["overdue"]
    with psycopg.connect(api_settings.database_url or "") as connection:
        connection.execute(
            "UPDATE mail_ins SET due_at = due_at - interval '22 days' WHERE id = %s", [late.announced["id"]]
        )
    listed = desk.get("/v1/mail-ins?overdue=true&limit=100").get_json()["items"]
    assert late.announced["id"] in [each["id"] for each in listed]
    assert early.announced["id"] not in [each["id"] for each in listed]
    assert all(each["overdue"] for each in listed)
    assert late.read()["overdue"]
    late.told("received")
    assert not late.read()["overdue"], "it came after all; something else is due now"


def test_a_shaft_is_found_by_its_reference_as_it_is_read_or_scanned(desk: Caller) -> None:
    shaft = Shaft(desk).announced
    for said in (shaft["reference"], shaft["spoken"], shaft["reference"].lower(), shaft["reference"][1:]):
        listed = desk.get(f"/v1/mail-ins?reference={said}").get_json()["items"]
        assert [each["id"] for each in listed] == [shaft["id"]], said
    wrong = shaft["reference"][:-1] + str((int(shaft["reference"][-1]) + 1) % 10)
    assert desk.get(f"/v1/mail-ins?reference={wrong}").get_json()["items"] == []


def test_shafts_are_paged(desk: Caller) -> None:
    for _ in range(3):
        Shaft(desk)
    first = desk.get("/v1/mail-ins?state=announced&limit=2").get_json()
    second = desk.get(f"/v1/mail-ins?state=announced&limit=2&cursor={first['next_cursor']}").get_json()
    ids = [each["id"] for each in first["items"] + second["items"]]
    assert len(set(ids)) == len(ids)
    assert ids == sorted(ids)


def test_the_slip_and_the_label_carry_the_reference(desk: Caller, widget: Caller) -> None:
    for caller, seen in ((desk, True), (widget, False)):
        shaft = Shaft(caller, PRIVATE).announced
        for paper in (shaft["slip"], shaft["label"]):
            answer = caller.get(paper)
            assert answer.content_type == "application/pdf"
            words = pypdf.PdfReader(io.BytesIO(answer.data)).pages[0].extract_text()
            assert shaft["spoken"] in words
            assert ("POISON-HOUSE" in words) == seen


def test_a_store_s_page_sees_where_its_shaft_stands_and_nothing_told_in_private(
    widget: Caller, other_widget: Caller, desk: Caller
) -> None:
    shaft = Shaft(widget, PRIVATE)
    desk.post(f"{shaft.path}/events", EVENTS["received"])
    seen = widget.get(shaft.path)
    assert seen.get_json()["state"] == "received"
    assert "POISON" not in seen.get_data(as_text=True)
    assert "shelf 2" not in seen.get_data(as_text=True)
    assert "POISON" not in str(shaft.announced)
    for path in (shaft.path, shaft.announced["slip"], shaft.announced["label"]):
        assert other_widget.get(path).status_code == 404
    assert widget.post(f"{shaft.path}/events", EVENTS["moved"]).status_code == 403
    assert widget.get("/v1/mail-ins").status_code == 403
    private = desk.get(shaft.path).get_json()
    assert private["send_back_to"] == PRIVATE["send_back_to"]


def test_a_store_cannot_announce_the_shaft_of_another_s_submission(
    widget: Caller, other_widget: Caller, scant: Json
) -> None:
    submission = widget.submit(scant)
    refused = other_widget.post("/v1/mail-ins", {"submission": submission["id"]})
    assert (refused.status_code, refused.get_json()["errors"][0]["pointer"]) == (422, "/submission")


def test_an_announcement_sent_twice_is_one_shaft(desk: Caller) -> None:
    twice = [desk.post("/v1/mail-ins", {}, Idempotency_Key="once") for _ in range(2)]
    assert twice[0].data == twice[1].data


# -- photos -------------------------------------------------------------------------------------------------------


def send_photo(shaft: Shaft, body: bytes, kind: str = "image/jpeg") -> TestResponse:
    return shaft.caller.send("POST", f"{shaft.path}/photos", data=body, content_type=kind)


def test_a_photo_is_kept_without_what_the_camera_wrote_into_it(desk: Caller) -> None:
    shaft = Shaft(desk).told("received")
    sent = with_a_place()
    assert b"POISON" in sent
    added = send_photo(shaft, sent)
    assert added.status_code == 201, added.get_data(as_text=True)
    photo = desk.get(added.headers["Location"])
    assert photo.content_type == "image/jpeg"
    assert photo.headers["X-Content-Type-Options"] == "nosniff"
    assert b"POISON" not in photo.data
    with Image.open(io.BytesIO(photo.data)) as image:
        assert (image.format, image.size) == ("JPEG", (48, 64))
    assert shaft.read()["photos"] == [added.get_json()]


@pytest.mark.parametrize(
    ("body", "kind", "status", "code"),
    [
        (b"<svg onload='alert(1)'/>", "image/svg+xml", 415, "wrong_content_type"),
        (b"{}", "application/json", 415, "wrong_content_type"),
        (b"GIF89a;alert(1)", "image/jpeg", 422, "not_a_photo"),
        (b"<script>alert(1)</script>", "image/png", 422, "not_a_photo"),
        (b"", "image/png", 422, "not_a_photo"),
        (png_of(8000, 5000), "image/png", 422, "too_many_pixels"),
    ],
)
def test_what_is_no_photo_or_too_large_a_one_is_refused(
    desk: Caller, body: bytes, kind: str, status: int, code: str
) -> None:
    shaft = Shaft(desk).told("received")
    refused = send_photo(shaft, body, kind)
    assert (refused.status_code, refused.get_json()["code"]) == (status, code)
    assert shaft.read()["photos"] == []


def test_a_photo_of_too_many_bytes_is_refused(desk: Caller, api_settings: Settings) -> None:
    shaft = Shaft(desk).told("received")
    assert send_photo(shaft, bytes(api_settings.photo_body_limit + 1)).status_code == 413


def test_a_shaft_has_no_photos_before_it_came_nor_more_than_enough(desk: Caller) -> None:
    shaft = Shaft(desk)
    small = io.BytesIO()
    Image.new("RGB", (8, 8)).save(small, "PNG")
    assert send_photo(shaft, small.getvalue(), "image/png").status_code == 409
    shaft.told("received")
    statuses = [send_photo(shaft, small.getvalue(), "image/png").status_code for _ in range(21)]
    assert statuses == [201] * 20 + [409]


def test_a_photo_is_of_its_own_shaft(desk: Caller) -> None:
    first, second = Shaft(desk).told("received"), Shaft(desk).told("received")
    photo = send_photo(first, with_a_place()).get_json()
    assert desk.get(f"{second.path}/photos/{photo['id']}").status_code == 404


# -- the database's own word --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE mail_in_events SET at = at + interval '1 hour' WHERE mail_in_id = %(id)s",
        "UPDATE mail_in_events SET place = 'elsewhere' WHERE mail_in_id = %(id)s",
        "UPDATE mail_in_events SET place = 'elsewhere', note = NULL WHERE mail_in_id = %(id)s",
        "UPDATE mail_in_events SET note = 'another' WHERE mail_in_id = %(id)s",
        "UPDATE mail_in_events SET details = '{\"round\": 2}', note = NULL WHERE mail_in_id = %(id)s",
        "INSERT INTO mail_in_events (mail_in_id, number, kind, at, key_id, who, place)"
        " SELECT mail_in_id, 3, 'moved', now() + interval '1 day', key_id, who, 'bench 2'"
        " FROM mail_in_events WHERE mail_in_id = %(id)s AND number = 1",
        "INSERT INTO mail_in_events (mail_in_id, number, kind, at, key_id, who, place)"
        " SELECT mail_in_id, 3, 'moved', at - interval '1 day', key_id, who, 'bench 2'"
        " FROM mail_in_events WHERE mail_in_id = %(id)s AND number = 1",
        "INSERT INTO mail_in_events (mail_in_id, number, kind, at, key_id, who, place)"
        " SELECT mail_in_id, 7, 'moved', now(), key_id, who, 'bench 2'"
        " FROM mail_in_events WHERE mail_in_id = %(id)s AND number = 1",
        "UPDATE mail_ins SET state = 'returned', due_at = NULL WHERE id = %(id)s",
        "UPDATE mail_ins SET place = NULL WHERE id = %(id)s",
        "UPDATE mail_ins SET state = 'scrapped', place = NULL, due_at = NULL WHERE id = %(id)s",
    ],
)
def test_the_database_refuses_what_the_service_would_never_write(
    desk: Caller, api_settings: Settings, statement: str
) -> None:
    shaft = Shaft(desk).told("received")
    with (
        psycopg.connect(api_settings.database_url or "") as connection,
        pytest.raises(psycopg.errors.IntegrityError),
    ):
        connection.execute(statement.encode(), {"id": shaft.announced["id"]})


def test_every_step_is_on_the_trail(desk: Caller, app: Flask, as_role: Callable[[Role], Caller]) -> None:
    shaft = Shaft(desk).told("received", "measured")
    with app.extensions[EXTENSION].desk.stores.transaction() as transaction:
        entries = transaction.trail.page(None, None, 200)
    actions = [entry.action for entry in entries if entry.details.get("mail_in") == shaft.announced["id"]]
    assert actions[::-1] == ["mail_in_announced", "mail_in_received", "mail_in_measured"]
    moved = desk.post(
        f"/v1/mail-ins/{shaft.announced['id']}/events", {"kind": "moved", "place": "bench 2", "by": "R. Bench"}
    )
    assert moved.status_code == 200
    with app.extensions[EXTENSION].desk.stores.transaction() as transaction:
        (last,) = transaction.trail.page(None, None, 1)
    assert (last.who, last.action) == ("R. Bench", "mail_in_moved")
    assert "POISON" not in str(entries)
