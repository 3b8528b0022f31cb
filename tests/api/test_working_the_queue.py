"""Taking a review, giving it back and deciding it, over HTTP."""

from __future__ import annotations

import threading
from typing import Any

import psycopg
import pytest
from flask import Flask

from service.app import EXTENSION
from service.domain.access import Role
from service.workflows.keys import create_key
from tests.api.conftest import Caller
from tests.api.queue import PART, SCANT, SURE, claimed, decided, waiting

Json = dict[str, Any]


@pytest.fixture
def colleague(app: Flask) -> Caller:
    """Somebody else at the desk."""
    return Caller(app, create_key(app.extensions[EXTENSION].desk.stores, Role.DESK, "a colleague"))


def let_the_lease_run_out(database: psycopg.Connection[Any], review_id: str) -> None:
    database.execute(
        "UPDATE reviews SET lease_until = clock_timestamp() - interval '1 second' WHERE id = %s", [review_id]
    )


def problem_of(response: Any, status: int) -> str:
    assert response.status_code == status, response.get_data(as_text=True)
    code: str = response.get_json()["code"]
    return code


def decisions_of(caller: Caller, review_id: str) -> list[Json]:
    sheet = caller.get(f"/v1/reviews/{review_id}").get_json()
    return [decision for decision in sheet["decisions"] if decision["review_id"] == review_id]


def test_a_review_is_claimed_decided_and_the_customer_told(widget: Caller, desk: Caller) -> None:
    answer = waiting(widget)
    assert answer["expected_reply_at"] > answer["opened_at"]

    review = claimed(desk, answer, person="J. Moll")
    assert review["state"] == "claimed"
    assert review["claim"]["by"] == "J. Moll"
    assert widget.get(f"/v1/submissions/{answer['id']}").get_json()["review"]["state"] == "claimed"

    done = decided(desk, review["id"], person="J. Moll")
    assert done["state"] == "decided"
    assert done["claim"] is None
    assert done["decision"]["by"] == "J. Moll"

    seen = widget.get(f"/v1/submissions/{answer['id']}").get_json()
    assert seen["decision"]["part_number"] == PART
    assert seen["expected_reply_at"] is None
    assert "reason" not in seen["decision"]
    assert "by" not in seen["decision"]
    assert desk.get(f"/v1/submissions/{answer['id']}").get_json()["decision"]["reason"] == SURE["reason"]


def test_a_claim_needs_no_body_and_none_waiting_is_no_content(desk: Caller) -> None:
    waiting(desk)
    taken = []
    while (response := desk.post("/v1/reviews/claim")).status_code == 200:
        taken.append(response.get_json()["id"])

    assert response.status_code == 204
    assert response.data == b""
    assert len(taken) == len(set(taken)) > 0
    for review_id in taken:
        assert desk.post(f"/v1/reviews/{review_id}/release", {"reason": "Only looking."}).status_code == 200


def test_a_claim_sent_again_because_its_reply_was_lost_takes_one_review(desk: Caller) -> None:
    waiting(desk), waiting(desk)
    body = {"person": "J. Moll"}

    first, again = (desk.post("/v1/reviews/claim", body, Idempotency_Key="a-claim") for _ in range(2))
    other = desk.post("/v1/reviews/claim", body, Idempotency_Key="another-claim")

    assert (first.status_code, again.status_code) == (200, 200)
    assert again.data == first.data
    assert again.headers["ETag"] == first.headers["ETag"]
    assert other.get_json()["id"] != first.get_json()["id"]
    for taken in (first, other):
        gone = desk.post(f"/v1/reviews/{taken.get_json()['id']}/release", {"reason": "Only looking."} | body)
        assert gone.status_code == 200


def test_what_is_in_one_pair_of_hands_is_not_given_to_another(desk: Caller, colleague: Caller) -> None:
    answer = waiting(desk)
    review = claimed(desk, answer)

    again = colleague.post("/v1/reviews/claim", {"review_id": review["id"]})
    assert problem_of(again, 409) == "conflict"
    assert "the tests' desk" in again.get_json()["detail"]
    assert problem_of(colleague.post(f"/v1/reviews/{review['id']}/decision", SURE), 409) == "not_claimed"
    assert problem_of(colleague.post(f"/v1/reviews/{review['id']}/release", {"reason": "Mine."}), 409) == "not_claimed"
    assert problem_of(colleague.post(f"/v1/reviews/{review['id']}/lease"), 409) == "not_claimed"


def test_two_who_share_a_key_do_not_decide_or_give_back_each_other_s_reviews(desk: Caller) -> None:
    answer = waiting(desk)
    review_id = answer["review"]["id"]
    taken = desk.post("/v1/reviews/claim", {"review_id": review_id, "person": "J. Moll"})
    assert taken.get_json()["claim"]["by"] == "J. Moll"

    refused = desk.post(f"/v1/reviews/{review_id}/decision", SURE | {"person": "P. Marl"})
    assert problem_of(refused, 409) == "not_claimed"
    assert "J. Moll" in refused.get_json()["detail"]
    refused = desk.post(f"/v1/reviews/{review_id}/release", {"reason": "Mine.", "person": "P. Marl"})
    assert problem_of(refused, 409) == "not_claimed"

    unsaid = desk.post(f"/v1/reviews/{review_id}/decision", SURE)
    assert problem_of(unsaid, 409) == "not_claimed"
    assert "person" in unsaid.get_json()["detail"]
    assert problem_of(desk.post(f"/v1/reviews/{review_id}/release", {"reason": "Mine."}), 409) == "not_claimed"
    assert decisions_of(desk, review_id) == []

    done = desk.post(f"/v1/reviews/{review_id}/decision", SURE | {"person": "J. Moll"})
    assert done.get_json()["decision"]["by"] == "J. Moll"


def test_who_shares_a_key_neither_overrules_nor_closes_what_a_colleague_has_in_hand(desk: Caller) -> None:
    answer = waiting(desk)
    claimed(desk, answer, person="J. Moll")
    into = desk.submit(SCANT)["id"]
    case = f"/v1/cases/{answer['id']}"
    asked: tuple[tuple[str, Json], ...] = (
        ("overrule", SURE),
        ("close", {"reason": "Told."}),
        ("order", {"part_number": PART}),
        ("merge", {"into": into, "reason": "One shaft."}),
    )
    for who in ({}, {"person": "P. Marl"}):
        for path, body in asked:
            refused = desk.post(f"{case}/{path}", body | who)
            assert problem_of(refused, 409) == "not_claimed"
            assert "J. Moll" in refused.get_json()["detail"]
    assert desk.get(case).get_json()["closed_at"] is None

    # Who has it in hand may, and the name on it is theirs.
    overruled = desk.post(f"{case}/overrule", SURE | {"person": "J. Moll", "confidence": "guess"})
    assert overruled.get_json()["by"] == "J. Moll"
    # So the second look is not for them.
    second = second_look_of(desk, answer["id"])
    again = desk.post("/v1/reviews/claim", {"review_id": second["id"], "person": "J. Moll"})
    assert problem_of(again, 409) == "conflict"


def test_a_claim_that_a_colleague_at_the_same_key_has_taken_meanwhile_is_not_ended_by_the_first(
    desk: Caller, database: psycopg.Connection[Any]
) -> None:
    answer = waiting(desk)
    review_id = claimed(desk, answer, person="J. Moll")["id"]
    let_the_lease_run_out(database, review_id)
    claimed(desk, answer, person="P. Marl")

    refused = desk.post(f"/v1/reviews/{review_id}/decision", SURE | {"person": "J. Moll"})

    assert problem_of(refused, 409) == "not_claimed"
    assert "P. Marl" in refused.get_json()["detail"]
    assert decisions_of(desk, review_id) == []


def test_at_a_shared_key_nobody_works_without_a_name(app: Flask, desk: Caller) -> None:
    stores = app.extensions[EXTENSION].desk.stores
    counter = Caller(app, create_key(stores, Role.DESK, "the counter", shared=True))
    answer = waiting(counter)
    review, case = f"/v1/reviews/{answer['review']['id']}", f"/v1/cases/{answer['id']}"
    unsaid: tuple[tuple[str, Json], ...] = (
        ("/v1/reviews/claim", {"review_id": answer["review"]["id"]}),
        (f"{review}/decision", SURE),
        (f"{review}/release", {"reason": "Later."}),
        (f"{review}/notes", {"text": "Rang."}),
        (f"{case}/overrule", SURE),
        (f"{case}/notes", {"text": "Rang."}),
        (f"{case}/close", {"reason": "Told."}),
        (f"{case}/order", {"part_number": PART}),
        (f"{case}/confirmations", {"source": "box_found", "outcome": "not_in_catalogue"}),
        (f"/v1/submissions/{answer['id']}/letters", {}),
    )
    for path, body in unsaid:
        refused = counter.post(path, body)
        assert problem_of(refused, 422) == "invalid_input", path
        assert [fault["pointer"] for fault in refused.get_json()["errors"]] == ["/person"]
    shaft = counter.post("/v1/mail-ins", {"submission": answer["id"]}).get_json()["id"]
    received = counter.post(f"/v1/mail-ins/{shaft}/events", {"kind": "received", "place": "shelf"})
    assert [fault["pointer"] for fault in received.get_json()["errors"]] == ["/by"]

    assert claimed(counter, answer, person="J. Moll")["claim"]["by"] == "J. Moll"
    assert decided(counter, answer["review"]["id"], person="J. Moll")["decision"]["by"] == "J. Moll"


def test_nothing_is_decided_that_nobody_has_claimed(desk: Caller) -> None:
    review_id = waiting(desk)["review"]["id"]

    assert problem_of(desk.post(f"/v1/reviews/{review_id}/decision", SURE), 409) == "not_claimed"
    assert decisions_of(desk, review_id) == []


def test_a_review_given_back_waits_again_and_the_reason_is_on_record(desk: Caller, colleague: Caller) -> None:
    answer = waiting(desk)
    review = claimed(desk, answer)

    back = desk.post(f"/v1/reviews/{review['id']}/release", {"reason": "Needs somebody who knows this core."})
    assert back.get_json()["state"] == "waiting"

    sheet = colleague.get(f"/v1/reviews/{review['id']}").get_json()
    assert "knows this core" in sheet["notes"][-1]["text"]
    assert claimed(colleague, answer)["claim"]["by"] == "a colleague"


def test_an_admin_may_give_anybody_s_review_back(desk: Caller, app: Flask, keys: dict[Role, str]) -> None:
    review = claimed(desk, waiting(desk))

    back = Caller(app, keys[Role.ADMIN]).post(f"/v1/reviews/{review['id']}/release", {"reason": "Went home."})

    assert back.get_json()["state"] == "waiting"
    # The trail says who did it, not whose it was.
    trail = desk.get(f"/v1/cases/{review['submission_id']}").get_json()["trail"]
    assert next(entry["who"] for entry in trail if entry["action"] == "review_released") == "the tests' admin"


def test_a_lapsed_claim_is_back_in_the_queue_and_decides_nothing(
    desk: Caller, colleague: Caller, database: psycopg.Connection[Any]
) -> None:
    answer = waiting(desk)
    review_id = claimed(desk, answer)["id"]
    let_the_lease_run_out(database, review_id)

    assert desk.get(f"/v1/reviews/{review_id}").get_json()["state"] == "waiting"
    assert problem_of(desk.post(f"/v1/reviews/{review_id}/decision", SURE), 409) == "claim_lapsed"
    assert problem_of(desk.post(f"/v1/reviews/{review_id}/lease"), 409) == "claim_lapsed"
    assert decisions_of(desk, review_id) == []

    # Nobody has taken it since: claimed again, the same decision is taken.
    claimed(desk, answer)
    assert decided(desk, review_id)["state"] == "decided"


def test_who_comes_after_a_lapse_decides_and_the_first_is_told(
    desk: Caller, colleague: Caller, database: psycopg.Connection[Any]
) -> None:
    answer = waiting(desk)
    review_id = claimed(desk, answer)["id"]
    let_the_lease_run_out(database, review_id)
    claimed(colleague, answer)

    assert problem_of(desk.post(f"/v1/reviews/{review_id}/decision", SURE), 409) == "not_claimed"
    decided(colleague, review_id, reason="The colleague's.")
    assert problem_of(desk.post(f"/v1/reviews/{review_id}/decision", SURE), 409) == "already_settled"
    assert [decision["reason"] for decision in decisions_of(desk, review_id)] == ["The colleague's."]


def test_what_one_does_with_a_review_begins_its_lease_again(desk: Caller) -> None:
    answer = waiting(desk)
    review = claimed(desk, answer)
    ends = [review["claim"]["until"]]

    def end() -> str:
        until: str = desk.get(f"/v1/reviews/{review['id']}").get_json()["claim"]["until"]
        return until

    desk.post(f"/v1/reviews/{review['id']}/lease")
    ends.append(end())
    desk.post(f"/v1/reviews/{review['id']}/notes", {"text": "Rang; nobody there."})
    ends.append(end())
    desk.send("PATCH", f"/v1/reviews/{review['id']}", json={"priority": "urgent"})
    ends.append(end())
    desk.post(f"/v1/submissions/{answer['id']}/readings", {"counts": {"gear_teeth": 28}})
    ends.append(end())

    assert ends == sorted(set(ends))


def test_of_two_who_decide_at_once_one_is_taken_and_the_other_told(app: Flask, keys: dict[Role, str]) -> None:
    for _ in range(8):
        review_id = claimed(Caller(app, keys[Role.DESK]), waiting(Caller(app, keys[Role.DESK])))["id"]
        gate, statuses = threading.Barrier(2), []

        def decide(reason: str, review_id: str = review_id, gate: Any = gate, statuses: Any = statuses) -> None:
            caller = Caller(app, keys[Role.DESK])
            gate.wait()
            statuses.append(caller.post(f"/v1/reviews/{review_id}/decision", SURE | {"reason": reason}).status_code)

        threads = [threading.Thread(target=decide, args=(reason,)) for reason in ("One.", "Other.")]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

        assert sorted(statuses) == [200, 409]
        assert len(decisions_of(Caller(app, keys[Role.DESK]), review_id)) == 1


def test_a_decision_on_what_has_changed_since_is_refused_and_one_on_what_is_there_is_taken(
    desk: Caller, widget: Caller
) -> None:
    answer = waiting(widget)
    taken = desk.post("/v1/reviews/claim", {"review_id": answer["review"]["id"]})
    etag, path = taken.headers["ETag"], f"/v1/reviews/{answer['review']['id']}/decision"

    # The customer sends another reading while the reviewer makes up their mind.
    widget.post(f"/v1/submissions/{answer['id']}/readings", {"counts": {"gear_teeth": 28}})

    assert problem_of(desk.post(path, SURE, If_Match=etag), 412) == "stale_revision"
    sheet = desk.get(f"/v1/reviews/{answer['review']['id']}")
    assert sheet.get_json()["rounds"] == 2
    done = desk.post(path, SURE, If_Match=sheet.headers["ETag"])
    assert done.get_json()["decision"]["round"] == 2


def test_a_decision_sent_twice_under_one_key_is_one(desk: Caller) -> None:
    review_id = claimed(desk, waiting(desk))["id"]

    replies = [desk.post(f"/v1/reviews/{review_id}/decision", SURE, Idempotency_Key="pressed") for _ in range(2)]

    assert [reply.status_code for reply in replies] == [200, 200]
    assert replies[0].data == replies[1].data


def superseded_part(desk: Caller) -> Json:
    (part, *_) = desk.get("/v1/catalogue/parts?status=superseded&limit=1").get_json()["items"]
    found: Json = part
    return found


def test_a_decision_for_a_superseded_part_is_refused_and_its_successor_named(desk: Caller) -> None:
    old = superseded_part(desk)
    review_id = claimed(desk, waiting(desk))["id"]

    refused = desk.post(f"/v1/reviews/{review_id}/decision", SURE | {"part_number": old["part_number"]})

    assert problem_of(refused, 422) == "invalid_input"
    (fault,) = refused.get_json()["errors"]
    assert fault["pointer"] == "/part_number"
    assert old["superseded_by"] in fault["detail"]
    assert desk.get(f"/v1/reviews/{review_id}").get_json()["state"] == "claimed"


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"part_number": "NOBODYS-1"}, "/part_number"),
        ({"part_number": None}, "/part_number"),
        ({"part_number": "   "}, "/part_number"),
        ({"outcome": "not_in_catalogue"}, "/part_number"),
        ({"outcome": "perhaps"}, "/outcome"),
        ({"confidence": "certain"}, "/confidence"),
        ({"reason": ""}, "/reason"),
        ({"reason": "a\x00b"}, "/reason"),
        ({"colour": "red"}, "/colour"),
    ],
)
def test_a_decision_that_cannot_be_meant_is_refused_and_the_claim_kept(desk: Caller, wrong: Json, pointer: str) -> None:
    review_id = claimed(desk, waiting(desk))["id"]

    refused = desk.post(f"/v1/reviews/{review_id}/decision", SURE | wrong)

    assert refused.status_code == 422
    assert pointer in [fault["pointer"] for fault in refused.get_json()["errors"]]
    assert desk.get(f"/v1/reviews/{review_id}").get_json()["state"] == "claimed"


@pytest.mark.parametrize("outcome", ["not_in_catalogue", "cannot_tell"])
def test_a_person_may_say_that_it_is_nobody_s_or_that_they_cannot_tell(desk: Caller, outcome: str) -> None:
    review_id = claimed(desk, waiting(desk))["id"]

    done = decided(desk, review_id, outcome=outcome, part_number=None)

    assert (done["decision"]["outcome"], done["decision"]["part_number"]) == (outcome, None)


def test_a_guess_is_looked_at_a_second_time_by_somebody_else(desk: Caller, colleague: Caller, widget: Caller) -> None:
    answer = waiting(widget)
    decided(desk, claimed(desk, answer)["id"], confidence="guess")

    second = second_look_of(desk, answer["id"])
    assert (second["reason"], second["priority"]) == ("low_confidence", "low")
    assert problem_of(desk.post("/v1/reviews/claim", {"review_id": second["id"]}), 409) == "conflict"
    assert widget.get(f"/v1/submissions/{answer['id']}").get_json()["review"]["state"] == "decided"

    assert colleague.post("/v1/reviews/claim", {"review_id": second["id"]}).status_code == 200
    decided(colleague, second["id"], confidence="guess")
    assert second_look_of(desk, answer["id"], "waiting") is None


def second_look_of(caller: Caller, submission_id: str, state: str = "waiting") -> Any:
    cursor = ""
    while True:
        page = caller.get(f"/v1/reviews?state={state}&limit=100{cursor}").get_json()
        for review in page["items"]:
            if review["submission_id"] == submission_id and review["second_look"]:
                return review
        if page["next_cursor"] is None:
            return None
        cursor = f"&cursor={page['next_cursor']}"


def test_a_decided_case_that_is_added_to_is_put_before_a_person_again(desk: Caller) -> None:
    answer = waiting(desk)
    review = claimed(desk, answer)
    decided(desk, review["id"])

    again = desk.post(f"/v1/submissions/{answer['id']}/readings", {"ask_person": True}).get_json()

    assert again["review"]["id"] != review["id"]
    assert again["review"]["state"] == "waiting"
    assert again["decision"]["part_number"] == PART


def test_a_review_meant_for_somebody_is_given_to_nobody_else(desk: Caller, colleague: Caller) -> None:
    answer = waiting(desk)
    path = f"/v1/reviews/{answer['review']['id']}"
    changed = desk.send("PATCH", path, json={"assigned_to": "a colleague", "due_at": "2031-07-04T09:30:00+02:00"})

    assert changed.get_json()["assigned_to"] == "a colleague"
    assert changed.get_json()["due_at"] == "2031-07-04T07:30:00+00:00"
    assert problem_of(desk.post("/v1/reviews/claim", {"review_id": answer["review"]["id"]}), 409) == "conflict"
    assert claimed(colleague, answer)["claim"]["by"] == "a colleague"
    assert desk.send("PATCH", path, json={"assigned_to": None}).get_json()["assigned_to"] is None


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"priority": "soon"}, "/priority"),
        ({"due_at": "2031-02-30T09:30:00Z"}, "/due_at"),
        ({"due_at": "2031-07-04"}, "/due_at"),
        ({"assigned_to": ""}, "/assigned_to"),
    ],
)
def test_a_change_that_cannot_be_meant_is_refused(desk: Caller, change: Json, pointer: str) -> None:
    review_id = waiting(desk)["review"]["id"]

    refused = desk.send("PATCH", f"/v1/reviews/{review_id}", json=change)

    assert refused.status_code == 422
    assert {fault["pointer"] for fault in refused.get_json()["errors"]} == {pointer}


def test_what_is_settled_is_not_changed_any_more(desk: Caller) -> None:
    review_id = decided(desk, claimed(desk, waiting(desk))["id"])["id"]

    assert (
        problem_of(desk.send("PATCH", f"/v1/reviews/{review_id}", json={"priority": "low"}), 409) == "already_settled"
    )
    assert problem_of(desk.post("/v1/reviews/claim", {"review_id": review_id}), 409) == "already_settled"
    assert problem_of(desk.post(f"/v1/reviews/{review_id}/decision", SURE), 409) == "already_settled"


def test_the_reviewer_sees_readings_evidence_history_look_alikes_and_notes(
    desk: Caller, widget: Caller, sample: Json
) -> None:
    contact = {"name": "Ada Quill", "email": "ada.quill@post.example", "phone": "+00 (555) 0177"}
    before = widget.submit(sample | {"contact": {"email": "ADA.QUILL@post.example"}})
    answer = widget.submit(sample | {"contact": contact, "ask_person": True})
    desk.post(f"/v1/reviews/{answer['review']['id']}/notes", {"text": "Sounds sure of the core."})

    sheet = desk.get(f"/v1/reviews/{answer['review']['id']}").get_json()

    assert sheet["reference"] == answer["reference"]
    assert sheet["submission"]["submission"]["contact"] == contact
    assert sheet["submission"]["candidates"][0]["evidence"]
    assert desk.get(sheet["chart"]).status_code == 200
    assert [case["id"] for case in sheet["history"]] == [before["id"]]
    assert [note["text"] for note in sheet["notes"]] == ["Sounds sure of the core."]
    leading = {candidate["part_number"] for candidate in sheet["submission"]["candidates"][:3]}
    assert all({pair["part_number"], pair["other"]} & leading for pair in sheet["look_alikes"])


def test_the_queue_is_counted_by_state_and_age(desk: Caller, database: psycopg.Connection[Any]) -> None:
    def counted() -> dict[str, Json]:
        states = desk.get("/v1/reviews/counts").get_json()["states"]
        assert all(sum(band["reviews"] for band in state["by_age"]) == state["reviews"] for state in states)
        return {state["state"]: state for state in states}

    before = counted()
    old, fresh = waiting(desk), waiting(desk)
    database.execute(
        "UPDATE reviews SET opened_at = now() - interval '5 hours', due_at = now() - interval '1 hour' WHERE id = %s",
        [old["review"]["id"]],
    )
    claimed(desk, fresh)
    after = counted()

    assert after["waiting"]["reviews"] == before["waiting"]["reviews"] + 1
    assert after["waiting"]["overdue"] == before["waiting"]["overdue"] + 1
    assert after["claimed"]["reviews"] == before["claimed"]["reviews"] + 1
    assert after["waiting"]["by_age"][2]["reviews"] == before["waiting"]["by_age"][2]["reviews"] + 1
    assert after["waiting"]["by_age"][2]["from_seconds"] == 4 * 3600


@pytest.mark.parametrize("route", ["", "/release", "/notes", "/decision", "/lease"])
def test_what_is_no_review_is_not_found(desk: Caller, route: str) -> None:
    path = f"/v1/reviews/00000000-0000-7000-8000-000000000000{route}"
    bodies = {"/release": {"reason": "x"}, "/notes": {"text": "x"}, "/decision": SURE}

    response = desk.get(path) if route == "" else desk.post(path, bodies.get(route))

    assert response.status_code == 404
