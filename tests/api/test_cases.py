"""Whole cases over HTTP: found again, overruled, merged, reopened, handed to an order."""

from __future__ import annotations

import threading
from typing import Any

import psycopg
import pytest
from flask import Flask

from service.app import EXTENSION
from service.domain.access import Role
from service.settings import Settings
from service.workflows.keys import create_key
from tests.api.conftest import Caller
from tests.api.queue import PART, SCANT, SURE, claimed, decided, waiting

Json = dict[str, Any]


@pytest.fixture
def colleague(app: Flask) -> Caller:
    """Somebody else at the desk."""
    return Caller(app, create_key(app.extensions[EXTENSION].desk.stores, Role.DESK, "a colleague"))


def found(caller: Caller, query: str) -> list[str]:
    response = caller.get(f"/v1/cases?{query}")
    assert response.status_code == 200, response.get_data(as_text=True)
    return [case["id"] for case in response.get_json()["items"]]


def file_of(caller: Caller, answer: Json) -> Json:
    file: Json = caller.get(f"/v1/cases/{answer['id']}").get_json()
    return file


# -- finding ------------------------------------------------------------------------------------------------------


def test_a_case_is_found_by_its_reference_however_it_is_written(desk: Caller, widget: Caller) -> None:
    answer = widget.submit(SCANT)
    reference = answer["reference"]

    for said in (reference, f"{reference[:4]} {reference[4:]}", f"{reference[:4]}-{reference[4:]}"):
        assert found(desk, f"reference={said}") == [answer["id"]]


def test_a_reference_misheard_by_a_digit_is_said_to_be_wrong_and_finds_nobody_else(desk: Caller) -> None:
    reference = desk.submit(SCANT)["reference"]
    misheard = reference[:3] + str((int(reference[3]) + 4) % 10) + reference[4:]

    refused = desk.get(f"/v1/cases?reference={misheard}")

    assert refused.status_code == 422
    assert "check" in refused.get_json()["errors"][0]["detail"]


def test_a_case_is_found_by_name_email_telephone_part_and_date(desk: Caller, sample: Json) -> None:
    contact = {"name": "Wilhelmina Træskjold-Oakes", "email": "Mina@Oakes.example", "phone": "+00 (555) 01-99"}
    answer = desk.submit(sample | {"contact": contact})
    day = answer["opened_at"][:10]
    part = answer["candidates"][0]["part_number"]

    for query in (
        "name=wilhelmina",
        "name=oakes wil",
        "name=TRÆSKJ",
        "email=mina@oakes.EXAMPLE",
        "phone=00555-0199",
        f"name=oakes&part={part}&opened_from={day}&opened_to={day}&open=true",
    ):
        assert found(desk, query) == [answer["id"]], query
    for query in ("name=wilhelmina smith", "name=oakes&part=NOBODYS-1", "name=oakes&opened_to=2001-01-01"):
        assert found(desk, query) == [], query
    assert answer["id"] in found(desk, f"part={part}&limit=100")


def test_a_case_is_found_by_the_part_a_person_decided(desk: Caller) -> None:
    answer = waiting(desk, contact={"name": "Decided Byperson"})
    decided(desk, claimed(desk, answer)["id"], part_number="CRJ-HPX" if superseded(desk, PART) else PART)

    assert found(desk, f"name=byperson&part={PART}") == [answer["id"]]


def superseded(desk: Caller, part_number: str) -> bool:
    return bool(desk.get(f"/v1/catalogue/parts/{part_number}").get_json()["superseded_by"])


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ("reference=1234", "/reference"),
        ("name=%3A%26%7C", "/name"),
        ("phone=none", "/phone"),
        ("opened_from=2031-02-30", "/opened_from"),
        ("open=perhaps", "/open"),
        ("surname=x", "/surname"),
    ],
)
def test_a_search_that_cannot_be_meant_is_refused(desk: Caller, query: str, pointer: str) -> None:
    refused = desk.get(f"/v1/cases?{query}")

    assert refused.status_code == 422
    assert [fault["pointer"] for fault in refused.get_json()["errors"]] == [pointer]


@pytest.mark.parametrize("name", ["o'brien & sons", "a:*", "x') --", "((", "ab | cd", "\\", "!!a", "<->b"])
def test_no_name_is_read_as_anything_but_words(desk: Caller, name: str) -> None:
    response = desk._client.get("/v1/cases", query_string={"name": name}, headers=desk._headers)

    assert response.status_code in (200, 422)


def test_pages_of_found_cases_follow_each_other(desk: Caller) -> None:
    opened = [desk.submit(SCANT | {"contact": {"name": "Pagina Longlist"}})["id"] for _ in range(5)]
    ids: list[str] = []
    cursor = ""
    while True:
        page = desk.get(f"/v1/cases?name=pagina&limit=2{cursor}").get_json()
        ids += [case["id"] for case in page["items"]]
        if page["next_cursor"] is None:
            break
        cursor = f"&cursor={page['next_cursor']}"

    assert ids == opened[::-1]


def test_the_desk_sees_what_was_left_half_done(desk: Caller) -> None:
    left = desk.submit(SCANT | {"contact": {"name": "Halfway Gone"}})
    asked = desk.submit(SCANT | {"ask_person": True, "contact": {"name": "Halfway Waiting"}})

    assert left["next_reading"] is not None
    assert found(desk, "name=halfway&left_half_done=true") == [left["id"]]
    assert found(desk, "name=halfway&left_half_done=false") == [asked["id"]]


# -- links --------------------------------------------------------------------------------------------------------


def test_a_web_customer_comes_back_by_a_link_that_nobody_guesses(
    widget: Caller, other_widget: Caller, desk: Caller, nobody: Caller
) -> None:
    answer = widget.submit(SCANT | {"contact": {"email": "poison@shop.example"}})
    made = widget.post(f"/v1/submissions/{answer['id']}/links")
    assert made.status_code == 201
    assert made.headers["Cache-Control"] == "no-store"
    path = made.get_json()["path"]

    back = widget.get(path)
    assert back.get_json()["id"] == answer["id"]
    assert "poison" not in back.get_data(as_text=True)
    assert desk.get(path).status_code == 200
    assert other_widget.get(path).status_code == 404
    assert nobody.get(path).status_code == 401
    assert widget.get(path[:-1] + ("A" if path[-1] != "A" else "B")).status_code == 404
    assert other_widget.post(f"/v1/submissions/{answer['id']}/links").status_code == 404


def test_a_link_lapses_and_is_kept_only_as_a_hash(widget: Caller, api_settings: Settings) -> None:
    answer = widget.submit(SCANT)
    link = widget.post(f"/v1/submissions/{answer['id']}/links").get_json()

    with psycopg.connect(str(api_settings.database_url)) as connection:
        kept = connection.execute("SELECT * FROM return_links WHERE submission_id = %s", [answer["id"]]).fetchall()
        assert link["token"] not in str(kept)
        connection.execute(
            "UPDATE return_links SET lapses_at = now() - interval '1 second' WHERE submission_id = %s", [answer["id"]]
        )

    assert widget.get(link["path"]).status_code == 404


# -- overruling ---------------------------------------------------------------------------------------------------


def test_staff_overrule_an_answer_in_mid_call(desk: Caller, sample: Json) -> None:
    answer = desk.submit(sample)
    assert answer["state"] == "identified"

    ruled = desk.post(
        f"/v1/cases/{answer['id']}/overrule",
        {"outcome": "not_in_catalogue", "confidence": "sure", "reason": "The caller reads a weld on the nose."},
    )

    assert ruled.status_code == 200
    assert ruled.get_json()["review_id"] is None
    seen = desk.get(f"/v1/submissions/{answer['id']}").get_json()
    assert seen["decision"]["outcome"] == "not_in_catalogue"
    assert seen["state"] == "identified"  # what the readings say is kept beside it


def test_overruling_decides_the_review_that_waits_and_none_that_is_in_other_hands(
    desk: Caller, colleague: Caller
) -> None:
    answer = waiting(desk)
    path = f"/v1/cases/{answer['id']}/overrule"
    claimed(colleague, answer)

    refused = desk.post(path, SURE)
    assert refused.status_code == 409
    assert "a colleague" in refused.get_json()["detail"]

    colleague.post(f"/v1/reviews/{answer['review']['id']}/release", {"reason": "Yours."})
    ruled = desk.post(path, SURE)
    assert ruled.get_json()["review_id"] == answer["review"]["id"]
    assert desk.get(f"/v1/reviews/{answer['review']['id']}").get_json()["state"] == "decided"


def test_overruling_what_has_changed_since_is_refused(desk: Caller) -> None:
    answer = desk.submit(SCANT)
    etag = desk.get(f"/v1/submissions/{answer['id']}").headers["ETag"]
    desk.post(f"/v1/submissions/{answer['id']}/readings", {"counts": {"gear_teeth": 28}})

    assert desk.post(f"/v1/cases/{answer['id']}/overrule", SURE, If_Match=etag).status_code == 412
    assert file_of(desk, answer)["decisions"] == []


def test_an_answer_overruled_on_a_guess_is_looked_at_again(desk: Caller) -> None:
    answer = desk.submit(SCANT | {"source": "phone"})
    desk.post(f"/v1/cases/{answer['id']}/overrule", SURE | {"confidence": "guess"})

    reviews = [
        review
        for page in pages(desk, "/v1/reviews?state=waiting&limit=100")
        for review in page
        if review["submission_id"] == answer["id"]
    ]
    assert [review["reason"] for review in reviews] == ["low_confidence"]


def pages(caller: Caller, path: str) -> list[list[Json]]:
    found: list[list[Json]] = []
    cursor = ""
    while True:
        page = caller.get(path + cursor).get_json()
        found.append(page["items"])
        if page["next_cursor"] is None:
            return found
        cursor = f"&cursor={page['next_cursor']}"


# -- merging ------------------------------------------------------------------------------------------------------


def test_two_cases_of_one_shaft_become_one_with_the_readings_of_both(desk: Caller, sample: Json) -> None:
    first = desk.submit(sample | {"readings": sample["readings"][:4]})
    second = waiting(desk, readings=sample["readings"][2:], instrument=sample["instrument"])

    merged = desk.post(f"/v1/cases/{second['id']}/merge", {"into": first["id"], "reason": "He rang twice."})

    # Two of the second case's readings were the first's, digit for digit: sent twice, they count once.
    assert merged.status_code == 200, merged.get_data(as_text=True)
    assert merged.get_json()["readings_added"] == len(sample["readings"]) - 4
    answer = merged.get_json()["submission"]
    assert answer["id"] == first["id"]
    assert answer["state"] == "identified"
    assert len(answer["submission"]["readings"]) == len(sample["readings"])

    gone = file_of(desk, second)
    assert (gone["closed_why"], gone["merged_into"]) == ("merged", first["id"])
    assert desk.get(f"/v1/reviews/{second['review']['id']}").get_json()["state"] == "withdrawn"
    assert first["reference"] in gone["notes"][-1]["text"]
    assert desk.post(f"/v1/submissions/{second['id']}/readings", {"ask_person": True}).status_code == 409
    assert desk.post(f"/v1/reviews/{second['review']['id']}/decision", SURE).status_code == 409
    assert desk.post(f"/v1/cases/{second['id']}/reopen", {"reason": "x"}).status_code == 409
    assert desk.post(f"/v1/cases/{first['id']}/merge", {"into": second["id"], "reason": "x"}).status_code == 409


def test_two_cases_merged_into_each_other_at_once_are_merged_once(app: Flask, keys: dict[Role, str]) -> None:
    desk = Caller(app, keys[Role.DESK])
    for _ in range(4):
        pair = [desk.submit(SCANT)["id"] for _ in range(2)]
        gate, statuses = threading.Barrier(2), []

        def merge(case: str, into: str, gate: Any = gate, statuses: Any = statuses) -> None:
            caller = Caller(app, keys[Role.DESK])
            gate.wait()
            statuses.append(caller.post(f"/v1/cases/{case}/merge", {"into": into, "reason": "One."}).status_code)

        threads = [threading.Thread(target=merge, args=(case, into)) for case, into in (pair, pair[::-1])]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

        assert sorted(statuses) == [200, 409]


def test_readings_overruling_notes_and_claims_at_once_never_wait_for_each_other(
    app: Flask, keys: dict[Role, str]
) -> None:
    desk = Caller(app, keys[Role.DESK])
    answer = waiting(desk)
    review, case = f"/v1/reviews/{answer['review']['id']}", f"/v1/cases/{answer['id']}"
    statuses: list[int] = []

    def do(path: str, body: Json) -> None:
        caller = Caller(app, keys[Role.DESK])
        statuses.extend(caller.post(path, body).status_code for _ in range(6))

    work = [
        (f"/v1/submissions/{answer['id']}/readings", {"counts": {"gear_teeth": 28}}),
        (f"{review}/notes", {"text": "Rang."}),
        ("/v1/reviews/claim", {"review_id": answer["review"]["id"]}),
        (f"{review}/release", {"reason": "Not now."}),
        (f"{case}/notes", {"text": "Rang again."}),
    ]
    threads = [threading.Thread(target=do, args=one) for one in work]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert set(statuses) <= {200, 201, 409}


def test_what_cannot_be_merged_is_refused_and_stays_as_it_was(desk: Caller, colleague: Caller) -> None:
    answer, metric = desk.submit(SCANT), desk.submit(SCANT | {"unit": "mm", "readings": [reading_mm()]})
    in_hand = waiting(desk)
    claimed(colleague, in_hand)
    nowhere = "00000000-0000-7000-8000-000000000000"

    def merge(case: str, into: str) -> int:
        return desk.post(f"/v1/cases/{case}/merge", {"into": into, "reason": "One shaft."}).status_code

    assert merge(answer["id"], answer["id"]) == 422
    assert merge(answer["id"], nowhere) == 404
    assert merge(nowhere, answer["id"]) == 404
    assert merge(metric["id"], answer["id"]) == 409
    assert merge(in_hand["id"], answer["id"]) == 409
    assert file_of(desk, answer)["closed_at"] is None
    assert file_of(desk, in_hand)["closed_at"] is None


def reading_mm() -> Json:
    return {"feature": "journal_diameter", "position": "front", "values": ["19.05"]}


# -- reopening, closing, ordering ---------------------------------------------------------------------------------


def test_a_decided_case_is_reopened_and_waits_for_a_person_again(desk: Caller) -> None:
    answer = waiting(desk)
    decided(desk, claimed(desk, answer)["id"])
    path = f"/v1/cases/{answer['id']}/reopen"

    again = desk.post(path, {"reason": "It does not fit."}).get_json()

    assert (again["review"]["state"], again["review"]["reason"]) == ("waiting", "reopened")
    assert desk.post(path, {"reason": "Once more."}).status_code == 409
    assert "does not fit" in file_of(desk, answer)["notes"][-1]["text"]


def test_a_closed_case_leaves_the_queue_and_opens_when_its_customer_comes_back(desk: Caller, widget: Caller) -> None:
    answer = waiting(widget)
    path = f"/v1/cases/{answer['id']}"

    closed = desk.post(f"{path}/close", {"reason": "Sold the engine.", "why": "withdrawn"}).get_json()
    assert closed["closed_why"] == "withdrawn"
    assert closed["review"]["state"] == "withdrawn"
    assert closed["expected_reply_at"] is None
    assert desk.post(f"{path}/close", {"reason": "Again."}).status_code == 409

    back = widget.post(f"/v1/submissions/{answer['id']}/readings", {"ask_person": True}).get_json()
    assert back["closed_at"] is None
    assert back["review"]["state"] == "waiting"


def test_a_case_is_handed_to_an_order_under_its_reference(desk: Caller, sample: Json) -> None:
    answer = desk.submit(sample)

    order = desk.post(f"/v1/cases/{answer['id']}/order", {"order_reference": "SO-4711"})

    assert order.get_json() == {
        "reference": answer["reference"],
        "part_number": answer["answer"]["part_number"],
        "order_reference": "SO-4711",
    }
    file = file_of(desk, answer)
    assert (file["closed_why"], file["order_reference"]) == ("ordered", "SO-4711")
    assert desk.post(f"/v1/cases/{answer['id']}/order").status_code == 409


def test_the_shop_is_told_of_an_order_and_of_nothing_private(
    desk: Caller, widget: Caller, app: Flask, keys: dict[Role, str], sample: Json
) -> None:
    admin = Caller(app, keys[Role.ADMIN])
    assert (
        admin.post("/v1/webhooks", {"url": "https://orders.example/hook", "topics": ["case.ordered"]}).status_code
        == 201
    )
    answer = widget.submit(sample | {"contact": {"name": "POISON-NAME"}, "note": "POISON-NOTE"})

    desk.post(f"/v1/cases/{answer['id']}/order", {"order_reference": "SO-1"})

    with app.extensions[EXTENSION].pool.connection() as connection:
        rows = connection.execute(
            "SELECT topic, body FROM outbox_messages WHERE submission_id = %s", [answer["id"]]
        ).fetchall()
    assert {row["topic"] for row in rows} == {"case.ordered"}
    for row in rows:
        assert answer["reference"] in row["body"]
        assert "POISON" not in row["body"]


def test_a_case_without_a_part_is_no_order_until_somebody_names_one(desk: Caller) -> None:
    answer = desk.submit(SCANT)
    path = f"/v1/cases/{answer['id']}/order"

    assert desk.post(path).status_code == 409
    assert desk.post(path, {"part_number": "NOBODYS-1"}).status_code == 422
    assert desk.post(path, {"part_number": PART}).get_json()["part_number"] == PART


# -- the file and the truth ---------------------------------------------------------------------------------------


def test_every_round_of_a_conversation_is_kept_with_its_own_answer(desk: Caller, sample: Json) -> None:
    answer = desk.submit(sample | {"readings": sample["readings"][:3]})
    desk.post(f"/v1/submissions/{answer['id']}/readings", {"readings": sample["readings"][3:]})

    first, second = file_of(desk, answer)["rounds"]

    assert (first["number"], first["readings"], first["state"]) == (1, 3, "more_readings_needed")
    assert first["asked_for"] == answer["next_reading"]["message"]
    assert (second["number"], second["readings"], second["state"]) == (2, len(sample["readings"]), "identified")


def test_the_truth_is_attached_when_it_comes_out_and_the_newest_holds(desk: Caller, sample: Json) -> None:
    answer = desk.submit(sample)
    path = f"/v1/cases/{answer['id']}/confirmations"

    wrong = {"source": "other", "outcome": "not_in_catalogue", "note": "So a friend says."}
    assert desk.post(path, wrong).status_code == 201
    right = {"source": "box_found", "outcome": "part", "part_number": answer["answer"]["part_number"]}
    kept = desk.post(path, right)

    assert kept.status_code == 201
    assert [one["source"] for one in file_of(desk, answer)["confirmations"]] == ["other", "box_found"]


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"part_number": "NOBODYS-1"}, "/part_number"),
        ({"part_number": None}, "/part_number"),
        ({"outcome": "not_in_catalogue"}, "/part_number"),
        ({"outcome": "cannot_tell"}, "/outcome"),
        ({"source": "a dream"}, "/source"),
    ],
)
def test_a_confirmation_that_cannot_be_meant_is_refused(desk: Caller, wrong: Json, pointer: str) -> None:
    path = f"/v1/cases/{desk.submit(SCANT)['id']}/confirmations"

    refused = desk.post(path, {"source": "box_found", "outcome": "part", "part_number": PART} | wrong)

    assert refused.status_code == 422
    assert pointer in [fault["pointer"] for fault in refused.get_json()["errors"]]
