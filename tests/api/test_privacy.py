"""What is kept of people: told of, handed over, erased; and a trail that nobody rewrites."""

from __future__ import annotations

import base64
import threading
from typing import Any

import psycopg
import pytest
from flask import Flask

from service.domain.access import Role
from service.web.api.lift_tables.examples import LIFT_TABLE_EXAMPLES
from tests.api.conftest import Caller
from tests.api.queue import SCANT, SURE, claimed, waiting
from tests.integration.receivers import wait_until
from tests.integration.test_photos import png_of

Json = dict[str, Any]

POISON: Json = {
    "contact": {"name": "POISON-NAME", "email": "poison@customer.example", "phone": "555 0133"},
    "note": "POISON-NOTE",
    "markings": [{"place": "gear", "text": "POISON-MARK"}],
}
WAITING = "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'"


@pytest.fixture
def admin(app: Flask, keys: dict[Role, str]) -> Caller:
    """Whoever answers for the service."""
    return Caller(app, keys[Role.ADMIN])


def poisoned(desk: Caller, email: str) -> Json:
    """A case with something personal in every place there is, decided and answered with a letter."""
    contact = POISON["contact"] | {"email": email, "phone": f"POISON {abs(hash(email))}"}
    answer = waiting(desk, **(POISON | {"contact": contact}))
    review = claimed(desk, answer)
    desk.post(
        f"/v1/reviews/{review['id']}/notes", {"text": "POISON: spoke to him."}, Idempotency_Key=f"n-{answer['id']}"
    )
    desk.post(f"/v1/reviews/{review['id']}/decision", SURE | {"reason": "POISON says so."})
    desk.post(f"/v1/cases/{answer['id']}/confirmations", confirmation(), Idempotency_Key=f"c-{answer['id']}")
    assert desk.post(f"/v1/submissions/{answer['id']}/letters", {}).status_code == 201
    announced = {"submission": answer["id"], "note": "POISON", "send_back_to": ["POISON road"]}
    shaft = desk.post("/v1/mail-ins", announced).get_json()
    for event in (
        {"kind": "received", "place": "shelf 3", "note": "POISON was on the box."},
        {"kind": "returned", "tracking": "POISON 17"},
    ):
        assert desk.post(f"/v1/mail-ins/{shaft['id']}/events", event).status_code == 200
    return answer


def confirmation() -> Json:
    return {"source": "other", "outcome": "not_in_catalogue", "note": "POISON told us."}


def test_the_notice_is_there_for_whoever_asks_for_contact_data(widget: Caller) -> None:
    notice = widget.get("/v1/privacy/notice").get_json()

    assert "erase" in notice["notice"]
    assert notice["contact_days"] == 730
    assert notice["reply_hours"]["web"] == 24

    german = widget.get("/v1/privacy/notice?language=de-CH").get_json()
    assert (german["language"], german["notice"][:9]) == ("de", "Geben Sie")
    assert widget.get("/v1/privacy/notice?language=eo").get_json() == notice
    assert widget.get("/v1/privacy/notice?language=d").status_code == 422


def test_all_that_is_kept_of_a_customer_is_handed_over(desk: Caller, admin: Caller) -> None:
    answer = poisoned(desk, "export@customer.example")
    photo = desk.send("POST", f"/v1/submissions/{answer['id']}/photos", data=png_of(8, 8), content_type="image/png")

    handed = admin.post("/v1/privacy/export", {"email": "EXPORT@customer.example"})

    assert handed.status_code == 200
    assert handed.headers["Cache-Control"] == "no-store"
    (case,) = handed.get_json()["cases"]
    assert case["submission"]["id"] == answer["id"]
    assert case["submission"]["head"]["contact"]["email"] == "export@customer.example"
    assert case["submission"]["head"]["markings"][0]["text"] == "POISON-MARK"
    assert case["notes"][0]["text"] == "POISON: spoke to him."
    assert case["decisions"][0]["reason"] == "POISON says so."
    assert case["confirmations"][0]["note"] == "POISON told us."
    assert "POISON-NAME" in case["letters"][0]["plain"]
    assert case["shafts"][0]["send_back_to"] == ["POISON road"]
    _, received, returned = case["shafts"][0]["events"]
    assert (received["note"], returned["details"]) == ("POISON was on the box.", {"tracking": "POISON 17"})
    (kept,) = case["photos"]
    assert base64.b64decode(kept["jpeg_base64"], validate=True) == desk.get(photo.get_json()["url"]).get_data()
    assert "case_exported" not in [entry["action"] for entry in case["trail"]]


def test_a_customer_is_erased_from_everywhere_and_what_was_measured_stays(
    desk: Caller, admin: Caller, database: psycopg.Connection[Any]
) -> None:
    answer = poisoned(desk, "erase@customer.example")
    another = desk.submit(SCANT | {"contact": {"email": "stays@customer.example"}})

    erased = admin.post("/v1/privacy/erasure", {"email": "erase@customer.example"})

    assert erased.get_json() == {"cases": [answer["id"]], "shafts": []}
    for table in (
        "submissions",
        "case_notes",
        "decisions",
        "confirmations",
        "letters",
        "outbox_messages",
        "idempotent_replies",
        "return_links",
        "mail_ins",
        "reviews",
        "submission_rounds",
    ):
        column = {"submissions": "id", "idempotent_replies": None}.get(table, "submission_id")
        where = "true" if column is None else f"{column} = '{answer['id']}'"
        rows = database.execute(f"SELECT t::text FROM {table} t WHERE {where}".encode()).fetchall()
        kept = [row for (row,) in rows if "POISON" in row or "erase@" in row]
        if table == "idempotent_replies":
            ours = [answer["id"].encode().hex(), f"n-{answer['id']}", f"c-{answer['id']}"]
            kept = [row for (row,) in rows if any(word in row for word in ours)]
        assert kept == [], table
    events = database.execute(
        "SELECT kind::text, e::text FROM mail_in_events e WHERE mail_in_id IN"
        " (SELECT id FROM mail_ins WHERE submission_id = %s) ORDER BY number",
        [answer["id"]],
    ).fetchall()
    assert [kind for kind, _ in events] == ["announced", "received", "returned"]
    assert "POISON" not in str(events)
    seen = desk.get(f"/v1/submissions/{answer['id']}").get_json()
    assert seen["submission"]["readings"] == answer["submission"]["readings"]
    assert seen["decision"]["part_number"] == SURE["part_number"]
    assert admin.post("/v1/privacy/export", {"email": "erase@customer.example"}).get_json() == {
        "cases": [],
        "shafts": [],
    }
    assert desk.get(f"/v1/submissions/{another['id']}").get_json()["submission"]["contact"] is not None


def test_a_shaft_that_was_posted_without_a_case_is_handed_over_and_erased_too(desk: Caller, admin: Caller) -> None:
    contact = {"name": "POISON-NAME", "email": "posted@customer.example", "phone": "+44 555 0177"}
    said = {"contact": contact, "send_back_to": ["POISON road"], "note": "POISON-NOTE"}
    shaft = desk.post("/v1/mail-ins", said, Idempotency_Key="posted-without-a-case").get_json()
    path = f"/v1/mail-ins/{shaft['id']}"
    desk.post(f"{path}/events", {"kind": "received", "place": "shelf 2", "note": "POISON on the box."})
    photo = desk.send("POST", f"{path}/photos", data=png_of(8, 8), content_type="image/png").get_json()
    other = desk.post("/v1/mail-ins", {"contact": {"email": "somebody@else.example"}}).get_json()

    handed = admin.post("/v1/privacy/export", {"phone": "00 44 555 0177"}).get_json()
    assert handed == {"cases": [], "shafts": []}  # another number
    handed = admin.post("/v1/privacy/export", {"phone": "44-555-0177"}).get_json()
    assert [each["shaft"]["id"] for each in handed["shafts"]] == [shaft["id"]]
    assert "POISON road" in str(handed)
    (kept,) = handed["shafts"][0]["photos"]
    assert base64.b64decode(kept["jpeg_base64"], validate=True) == desk.get(photo["url"]).get_data()
    assert [each["kind"] for each in handed["shafts"][0]["events"]] == ["announced", "received"]

    erased = admin.post("/v1/privacy/erasure", {"email": "Posted@customer.example"}).get_json()
    assert erased == {"cases": [], "shafts": [shaft["id"]]}
    assert "POISON" not in desk.get(path).get_data(as_text=True)
    assert desk.get(photo["url"]).status_code == 404
    assert desk.get(path).get_json()["state"] == "received"
    again = desk.post("/v1/mail-ins", said, Idempotency_Key="posted-without-a-case")
    assert again.get_json()["id"] != shaft["id"]  # the kept reply is gone as well
    assert desk.get(f"/v1/mail-ins/{other['id']}").get_json()["contact"]["email"] == "somebody@else.example"
    actions = {entry["action"] for entry in admin.get("/v1/privacy/trail?limit=100").get_json()["items"]}
    assert {"shaft_exported", "shaft_erased"} <= actions


def test_what_was_written_of_a_posted_shaft_s_lift_tables_goes_with_its_owner(desk: Caller, admin: Caller) -> None:
    owner = {"email": "tables@customer.example"}
    shaft = desk.post("/v1/mail-ins", {"contact": owner}).get_json()
    assert desk.post(f"/v1/mail-ins/{shaft['id']}/events", {"kind": "received", "place": "shelf"}).status_code == 200
    sheet = LIFT_TABLE_EXAMPLES["a_bench"]["value"] | {"mail_in": shaft["id"]}
    tables = f"/v1/lift-tables/{desk.post('/v1/lift-tables', sheet).get_json()['kept']['id']}"
    said = {"reason": "POISON rang: it is another shaft."}
    assert desk.post(f"{tables}/withdrawal", said, Idempotency_Key="tables-of-a-shaft").status_code == 200

    (handed,) = admin.post("/v1/privacy/export", owner).get_json()["shafts"]
    assert [each["withdrawn_reason"] for each in handed["lift_tables"]] == [said["reason"]]

    assert admin.post("/v1/privacy/erasure", owner).get_json()["shafts"] == [shaft["id"]]
    left = desk.get(tables).get_json()
    assert left["kept"]["withdrawn"]["reason"] == "erased"
    assert left["lobes"]


def test_whoever_is_erased_while_a_shaft_of_theirs_is_measured_holds_no_case_meanwhile(
    app: Flask, keys: dict[Role, str], desk: Caller, database: psycopg.Connection[Any]
) -> None:
    owner = {"email": "waits@customer.example"}
    case, others = desk.submit(SCANT | {"contact": owner}), desk.submit(SCANT)
    shaft = desk.post("/v1/mail-ins", {"submission": others["id"], "contact": owner}).get_json()
    answers: list[Any] = []

    def erase() -> None:
        answers.append(Caller(app, keys[Role.ADMIN]).post("/v1/privacy/erasure", owner).get_json())

    erasure = threading.Thread(target=erase)
    with database.transaction():
        database.execute("SELECT FROM mail_ins WHERE id = %s FOR UPDATE", [shaft["id"]])
        erasure.start()
        wait_until(lambda: database.execute(WAITING).fetchone() == (1,), "the erasure to wait for the shaft")
        database.execute("SELECT FROM submissions WHERE id = %s FOR UPDATE NOWAIT", [case["id"]])
    erasure.join()

    assert answers == [{"cases": [case["id"]], "shafts": [shaft["id"]]}]


def test_a_customer_known_by_telephone_alone_is_found_however_it_is_written(desk: Caller, admin: Caller) -> None:
    answer = desk.submit(SCANT | {"contact": {"phone": "+00 (555) 0144-22"}})

    assert admin.post("/v1/privacy/erasure", {"phone": "00555 014422"}).get_json()["cases"] == [answer["id"]]
    assert admin.post("/v1/privacy/erasure", {}).get_json()["cases"] == []


@pytest.mark.parametrize("who", [{"email": "nobody"}, {"phone": "none"}, {"name": "x"}])
def test_who_cannot_be_meant_is_refused(admin: Caller, who: Json) -> None:
    assert admin.post("/v1/privacy/export", who).status_code == 422


def test_who_saw_and_changed_a_case_is_on_the_trail_and_nothing_a_customer_wrote(desk: Caller, admin: Caller) -> None:
    answer = poisoned(desk, "trail@customer.example")
    desk.get(f"/v1/submissions/{answer['id']}")
    desk.get("/v1/cases?email=trail@customer.example")
    file = desk.get(f"/v1/cases/{answer['id']}").get_json()

    actions = [entry["action"] for entry in file["trail"]]
    for action in ("review_claimed", "note_written", "review_decided", "case_confirmed", "letter_issued", "case_read"):
        assert action in actions, action
    assert {entry["who"] for entry in file["trail"]} == {"the tests' desk"}
    assert "POISON" not in str(file["trail"])

    page = admin.get("/v1/privacy/trail?limit=2").get_json()
    assert len(page["items"]) == 2
    rest = admin.get(f"/v1/privacy/trail?limit=100&cursor={page['next_cursor']}").get_json()
    assert rest["items"][0]["at"] <= page["items"][-1]["at"]
    searches = [entry for entry in [*page["items"], *rest["items"]] if entry["action"] == "cases_searched"]
    assert any(answer["id"] in entry["details"]["shown"] for entry in searches)
    assert "POISON" not in str(page) + str(rest)
    assert "trail@" not in str(page) + str(rest)


def test_reading_a_case_with_somebody_s_name_in_it_is_noted_and_a_widget_s_reading_its_own_is_not(
    desk: Caller, widget: Caller
) -> None:
    answer = widget.submit(SCANT | {"contact": {"name": "Seen Once"}})

    widget.get(f"/v1/submissions/{answer['id']}")
    desk.get(f"/v1/submissions/{answer['id']}")

    trail = desk.get(f"/v1/cases/{answer['id']}").get_json()["trail"]
    assert [(entry["who"], entry["action"]) for entry in trail] == [
        ("the tests' desk", "case_read"),
        ("the tests' desk", "case_read"),
    ]


def test_who_saw_a_posted_shaft_s_owner_its_photo_a_letter_or_an_address_it_went_to_is_noted(
    desk: Caller, admin: Caller, widget: Caller
) -> None:
    address = "posted.seen@customer.example"
    answer = widget.submit(SCANT | {"contact": {"name": "POISON Name", "email": address}})
    shaft = widget.post("/v1/mail-ins", {"submission": answer["id"], "send_back_to": ["POISON Lane"]}).get_json()
    desk.post(f"/v1/mail-ins/{shaft['id']}/events", {"kind": "received", "place": "shelf"})
    photos = f"/v1/mail-ins/{shaft['id']}/photos"
    photo = desk.send("POST", photos, data=png_of(8, 8), content_type="image/png").get_json()
    letter = desk.post(f"/v1/submissions/{answer['id']}/letters", {}).get_json()

    def seen(path: str, caller: Caller = desk) -> list[tuple[str, str]]:
        """What the trail has of this shaft or case that it did not have before `path` was read."""
        before = admin.get("/v1/privacy/trail?limit=1").get_json()["items"][0]
        assert caller.get(path).status_code == 200
        entries = admin.get("/v1/privacy/trail?limit=20").get_json()["items"]
        assert "POISON" not in str(entries)
        assert address not in str(entries)
        return [(entry["who"], entry["action"]) for entry in entries[: entries.index(before)]]

    by = "the tests' desk"
    assert seen(f"/v1/mail-ins/{shaft['id']}") == [(by, "mail_in_read")]
    assert seen(f"/v1/mail-ins/{shaft['id']}/label.pdf") == [(by, "mail_in_read")]
    assert seen(f"/v1/mail-ins?reference={shaft['reference']}") == [(by, "mail_ins_listed")]
    assert seen(photo["url"]) == [(by, "photo_seen")]
    assert seen(f"/v1/letters/{letter['id']}") == [(by, "letter_read")]
    assert seen(f"/v1/letters/{letter['id']}/letter.txt") == [(by, "letter_read")]
    assert seen(f"/v1/mail-ins/{shaft['id']}", widget) == []


@pytest.mark.parametrize(
    "rewriting",
    [
        "UPDATE audit_trail SET who = 'nobody'",
        "DELETE FROM audit_trail",
        "TRUNCATE audit_trail",
        "INSERT INTO audit_trail (id, who, action) VALUES (1, 'x', 'y')",
    ],
)
def test_the_database_lets_nobody_rewrite_the_trail(
    desk: Caller, database: psycopg.Connection[Any], rewriting: str
) -> None:
    desk.get("/v1/cases")
    before = database.execute("SELECT count(*), max(id) FROM audit_trail").fetchone()

    with pytest.raises((psycopg.errors.InsufficientPrivilege, psycopg.errors.GeneratedAlways)):
        database.execute(rewriting.encode())

    assert database.execute("SELECT count(*), max(id) FROM audit_trail").fetchone() == before
