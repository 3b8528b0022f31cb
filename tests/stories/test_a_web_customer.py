"""A customer fills in the form of a web store, gets no further, and asks for a person."""

from __future__ import annotations

from typing import Any

from tests.api.conftest import Caller

Json = dict[str, Any]

PRIVATE = {"name": "POISON-NAME", "email": "poison@shop.example", "phone": "POISON-PHONE"}


def test_a_web_customer_who_asks_for_a_person(
    widget: Caller, other_widget: Caller, desk: Caller, nobody: Caller, scant: Json
) -> None:
    # The form takes two readings and what the customer thinks it is from; nobody here knows that engine.
    form = scant | {
        "engine_family": "Zzyzx Nine",
        "contact": PRIVATE,
        "note": "POISON-NOTE",
        "markings": [{"place": "gear", "text": "POISON-MARK"}],
    }
    first = widget.submit(form, Idempotency_Key="form-1")
    path = f"/v1/submissions/{first['id']}"

    # The page gets an answer that gives nothing away and shows what to do next.
    assert first["answer"] is None
    assert first["next_reading"]["message"]
    assert any("famil" in advice["code"] for advice in first["advice"])
    assert "POISON" not in str(first)
    assert all("evidence" not in candidate for candidate in first["candidates"])
    assert first["review"] is None

    # The customer has no caliper and asks for somebody.
    asked = widget.post(f"{path}/readings", {"ask_person": True}, Idempotency_Key="form-2").get_json()
    assert asked["review"]["state"] == "waiting"
    assert asked["review"]["reason"] == "person_asked_for"

    # Exactly one case waits for the desk, whatever else the customer presses.
    widget.post(f"{path}/readings", {"ask_person": True}, Idempotency_Key="form-2")
    widget.post(f"{path}/readings", {"ask_person": True}, Idempotency_Key="form-3")
    queue: list[Json] = []
    cursor = ""
    while True:
        page = desk.get(f"/v1/reviews?state=waiting&limit=100{cursor}").get_json()
        queue += page["items"]
        if page["next_cursor"] is None:
            break
        cursor = f"&cursor={page['next_cursor']}"
    assert [review["id"] for review in queue if review["submission_id"] == first["id"]] == [asked["review"]["id"]]

    # The desk sees whom to call and what was said; the customer's own page and strangers do not.
    seen = desk.get(path).get_json()
    assert seen["submission"]["contact"] == PRIVATE
    assert seen["submission"]["markings"][0]["text"] == "POISON-MARK"
    assert "POISON" not in widget.get(path).get_data(as_text=True)
    assert widget.get("/v1/reviews").status_code == 403
    assert other_widget.get(path).status_code == 404
    assert nobody.get(path).status_code == 401
