"""What goes over when two cases are found to be of one shaft: the posted shaft, photos, the customer and their link."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from flask import Flask

from service.domain.access import Role
from tests.api.conftest import Caller
from tests.api.queue import SCANT
from tests.api.test_case_photos import send
from tests.integration.test_photos import png_of

Json = dict[str, Any]


def test_a_posted_shaft_its_photos_and_its_owner_go_over_to_the_case_that_goes_on(
    desk: Caller, as_role: Callable[[Role], Caller], sample: Json
) -> None:
    contact = {"name": "Ada Quill", "email": "ada.quill.merged@post.example"}
    posted = desk.submit(sample | {"contact": contact})
    rang = desk.submit(SCANT)
    assert send(desk, posted["id"], png_of(8, 8), "image/png").status_code == 201
    shaft = desk.post("/v1/mail-ins", {"submission": posted["id"]}).get_json()
    events = f"/v1/mail-ins/{shaft['id']}/events"
    assert desk.post(events, {"kind": "received", "place": "shelf 3"}).status_code == 200

    merged = desk.post(f"/v1/cases/{posted['id']}/merge", {"into": rang["id"], "reason": "One shaft."})
    assert merged.get_json()["submission"]["submission"]["contact"] == contact | {"phone": None}

    body = {"kind": "measured", "readings": [{"feature": "lobe_height", "lobe": "exhaust", "values": ["1.1725"]}]}
    measured = desk.post(events, body | {"instrument": "outside_micrometer"})
    assert measured.status_code == 200, measured.get_data(as_text=True)
    assert measured.get_json()["submission"] == rang["id"]
    reported = desk.post(events, {"kind": "reported"}).get_json()
    letter = desk.get(f"/v1/letters/{reported['events'][-1]['details']['letter']}").get_json()
    assert letter["submission_id"] == rang["id"]
    assert len(desk.get(f"/v1/submissions/{rang['id']}/photos").get_json()["items"]) == 1
    assert desk.post(f"/v1/submissions/{posted['id']}/letters", {}).status_code == 409
    assert desk.post("/v1/mail-ins", {"submission": posted["id"]}).status_code == 409
    assert send(desk, posted["id"], png_of(8, 8), "image/png").status_code == 409

    # Whoever is erased is gone from the case that took theirs in as well.
    erased = as_role(Role.ADMIN).post("/v1/privacy/erasure", {"email": contact["email"]}).get_json()
    assert set(erased["cases"]) == {posted["id"], rang["id"]}


def test_two_cases_with_a_shaft_each_are_two_shafts(desk: Caller) -> None:
    pair = [desk.submit(SCANT)["id"] for _ in range(2)]
    for case in pair:
        assert desk.post("/v1/mail-ins", {"submission": case}).status_code == 201

    refused = desk.post(f"/v1/cases/{pair[0]}/merge", {"into": pair[1], "reason": "One shaft."})

    assert refused.status_code == 409
    assert "two shafts" in refused.get_json()["detail"]
    assert desk.get(f"/v1/cases/{pair[0]}").get_json()["closed_at"] is None


def test_a_shaft_measured_while_its_case_is_merged_waits_for_nobody_in_a_circle(
    app: Flask, keys: dict[Role, str]
) -> None:
    desk = Caller(app, keys[Role.DESK])
    reading = {"feature": "lobe_height", "lobe": "exhaust", "values": ["1.1725"]}
    for _ in range(6):
        posted, into = desk.submit(SCANT)["id"], desk.submit(SCANT)["id"]
        shaft = desk.post("/v1/mail-ins", {"submission": posted}).get_json()["id"]
        assert desk.post(f"/v1/mail-ins/{shaft}/events", {"kind": "received", "place": "shelf"}).status_code == 200
        work = [
            (f"/v1/mail-ins/{shaft}/events", {"kind": "measured", "readings": [reading], "instrument": "bench"}),
            (f"/v1/cases/{posted}/merge", {"into": into, "reason": "One shaft."}),
        ]
        gate, statuses = threading.Barrier(2), []

        def do(path: str, body: Json, gate: Any = gate, statuses: Any = statuses) -> None:
            caller = Caller(app, keys[Role.DESK])
            gate.wait()
            statuses.append(caller.post(path, body).status_code)

        threads = [threading.Thread(target=do, args=one) for one in work]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

        assert statuses == [200, 200]
        assert desk.get(f"/v1/mail-ins/{shaft}").get_json()["submission"] == into
        kept = desk.get(f"/v1/cases/{into}").get_json()["submission"]["submission"]["readings"]
        assert [each["values"] for each in kept if each["feature"] == "lobe_height"][-1] == ["1.1725"]


def test_a_customer_whose_case_was_merged_goes_on_under_their_own_reference(
    desk: Caller, widget: Caller, sample: Json
) -> None:
    theirs = widget.submit(sample | {"readings": sample["readings"][:2]})
    before = widget.post(f"/v1/submissions/{theirs['id']}/readings", {"counts": {"gear_teeth": 28}}).headers["ETag"]
    link = widget.post(f"/v1/submissions/{theirs['id']}/links").get_json()["path"]
    rang = desk.submit(
        sample | {"contact": {"name": "Ada Quill", "email": "ada@post.example"}, "note": "Not for a page."}
    )
    # so that both have been changed as often, and a tag of the one could be taken for a tag of the other
    assert desk.post(f"/v1/submissions/{rang['id']}/readings", {"counts": {"gear_teeth": 28}}).status_code == 200
    merged = desk.post(f"/v1/cases/{theirs['id']}/merge", {"into": rang["id"], "reason": "She rang."})
    assert merged.status_code == 200, merged.get_data(as_text=True)

    for path in (link, f"/v1/submissions/{theirs['id']}"):
        seen = widget.get(path, If_None_Match=before)
        assert seen.status_code == 200
        assert (seen.get_json()["id"], seen.get_json()["reference"]) == (theirs["id"], theirs["reference"])
        assert seen.get_json()["closed_at"] is None
        assert len(seen.get_json()["submission"]["readings"]) == len(sample["readings"])
        assert "Quill" not in seen.get_data(as_text=True)
        assert "Not for a page" not in seen.get_data(as_text=True)

    added = widget.post(f"/v1/submissions/{theirs['id']}/readings", {"ask_person": True}, If_Match=seen.headers["ETag"])
    assert added.status_code == 200, added.get_data(as_text=True)
    assert (added.get_json()["id"], added.get_json()["review"]["state"]) == (theirs["id"], "waiting")
    assert desk.get(f"/v1/submissions/{rang['id']}").get_json()["review"]["state"] == "waiting"
    photo = send(widget, theirs["id"], png_of(8, 8), "image/png")
    assert photo.status_code == 201
    assert desk.get(photo.get_json()["url"]).status_code == 200
    assert widget.get(f"/v1/submissions/{rang['id']}").status_code == 404
