"""What a customer was told stays what they see, whatever the catalogue becomes, until a person has decided."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import psycopg
import pytest
from flask import Flask

from service.adapters.postgres.pool import PostgresStores, open_pool
from service.app import EXTENSION, close_app, create_app
from service.catalogue_files import read_json
from service.domain.access import Role
from service.settings import Settings
from service.workflows.cases.reidentify import reidentify
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.desk import Desk
from service.workflows.identifying.snapshot import CatalogueSnapshot
from service.workflows.keys import create_key
from tests.api.conftest import Caller, Json, as_url
from tests.catalogues import catalogue, part, plain_lobe

ANSWER = ("state", "answer", "candidates", "catalogue_revision", "round", "answered_at", "review", "decision")
"""What says to somebody what their shaft is, and whether a person is at it."""


def of_lifts(**lifts: str) -> Json:
    """A catalogue of one core, with a part for each lift."""
    return catalogue(parts=[part(part_number=name, lobes={"intake": plain_lobe(it)}) for name, it in lifts.items()])


FIRST = of_lifts(OLD="0.3130", OTHER="0.3400")
RENAMED = of_lifts(NEW="0.3130", OTHER="0.3400")


def readings(lift: str = "0.3130") -> list[Json]:
    """Careful readings of a shaft of that lift, twice over."""
    high, base = f"{0.8610 + float(lift):.4f}", "0.8610"
    return [
        {"feature": "journal_diameter", "position": "front", "values": ["0.7500"]},
        {"feature": "lobe_height", "lobe": "intake", "values": [high, high]},
        {"feature": "base_circle", "lobe": "intake", "values": [base, base]},
    ]


SENT: Json = {"source": "web", "unit": "in", "instrument": "outside_micrometer", "readings": readings()}
FEW: Json = SENT | {"readings": readings()[:1]}


class Shop:
    """An application over a database of its own: the shop's page, the desk, the owner, and the worker's way."""

    def __init__(self, app: Flask) -> None:
        self.desk: Desk = app.extensions[EXTENSION].desk
        self.worker = replace(self.desk.answering, snapshot=CatalogueSnapshot(0.0))
        self.customer, self.staff, self.owner = (
            Caller(app, create_key(self.desk.stores, role, f"the {role}"))
            for role in (Role.WIDGET, Role.DESK, Role.ADMIN)
        )

    def publish(self, document: Json) -> None:
        """Make a catalogue the active one and ask the cases again, as the worker does."""
        response = self.owner.post("/v1/catalogue/revisions?reason=another", document)
        assert response.status_code == 201, response.get_data(as_text=True)
        deadline = time.monotonic() + 30
        snapshot, revision = self.desk.answering.snapshot, response.get_json()["revision"]
        while snapshot.held is None or snapshot.held.revision != revision:
            assert time.monotonic() < deadline, "the application has not turned to the new revision"
            time.sleep(0.02)
        reidentify(self.desk.stores, self.worker, self.desk.rules, settle_s=0.0)

    def seen(self, case: Json) -> Json:
        """What a customer sees, the same by their key and by a link; what the staff sees says so."""
        path = f"/v1/submissions/{case['id']}"
        by_key: Json = self.customer.get(path).get_json()
        link = self.customer.post(f"{path}/links").get_json()["path"]
        assert pick(self.customer.get(link).get_json()) == pick(by_key)
        return by_key

    def known(self, case: Json) -> Json:
        """What the desk sees."""
        found: Json = self.staff.get(f"/v1/submissions/{case['id']}").get_json()
        return found

    def decide(self, case: Json, part: str) -> None:
        """Take the review of a case and decide it."""
        review = self.known(case)["review"]["id"]
        assert self.staff.post("/v1/reviews/claim", {"review_id": review}).status_code == 200
        said = {"outcome": "part", "part_number": part, "confidence": "sure", "reason": "The same grind, renumbered."}
        assert self.staff.post(f"/v1/reviews/{review}/decision", said).status_code == 200


def pick(answer: Json) -> dict[str, Any]:
    return {name: answer[name] for name in ANSWER}


@pytest.fixture
def shop(database_url: str, api_settings: Settings) -> Iterator[Shop]:
    with open_pool(database_url) as pool:
        import_catalogue(PostgresStores(pool), read_json(FIRST), who="tests", why="two parts")
    settings = replace(api_settings, database_url=as_url(database_url), second_look_share=0.0)
    app = create_app(settings)
    yield Shop(app)
    close_app(app)


def test_a_customer_goes_on_seeing_what_they_were_told_until_a_person_has_decided(shop: Shop) -> None:
    case = shop.customer.submit(SENT)
    assert case["answer"]["part_number"] == "OLD"
    before = pick(shop.seen(case))

    shop.publish(RENAMED)

    assert pick(shop.seen(case)) == before
    assert "NEW" not in shop.customer.get(f"/v1/submissions/{case['id']}").get_data(as_text=True)
    known = shop.known(case)
    assert (known["answer"]["part_number"], known["review"]["reason"]) == ("NEW", "answer_changed")
    assert known["customer_sees"] == {"round": 1, "state": "identified", "part_number": "OLD", "catalogue_revision": 1}

    shop.decide(case, "NEW")

    seen = shop.seen(case)
    assert (seen["answer"]["part_number"], seen["decision"]["part_number"]) == ("NEW", "NEW")
    assert (seen["catalogue_revision"], seen["round"]) == (2, 2)
    assert shop.known(case)["customer_sees"] is None
    trail = shop.staff.get(f"/v1/cases/{case['id']}").get_json()["trail"]
    assert [entry["details"] for entry in trail if entry["action"] == "answer_let_out"] == [
        {"round": 2, "instead_of": 1}
    ]


def test_a_link_shows_what_the_customer_was_told_whatever_key_it_is_followed_with(shop: Shop) -> None:
    case = shop.customer.submit(SENT)
    link = shop.staff.post(f"/v1/submissions/{case['id']}/links").get_json()["path"]
    shop.publish(RENAMED)
    assert shop.staff.get(link).get_json()["answer"]["part_number"] == "OLD"


def test_nobody_has_to_let_out_what_contradicts_nothing(shop: Shop) -> None:
    case = shop.customer.submit(FEW)
    assert case["answer"] is None
    shop.publish(of_lifts(OLD="0.3130"))
    assert shop.seen(case)["catalogue_revision"] == shop.known(case)["catalogue_revision"]
    assert shop.known(case)["customer_sees"] is None


def test_a_change_taken_back_leaves_the_customer_with_what_they_were_told(shop: Shop) -> None:
    case = shop.customer.submit(SENT)
    shop.publish(RENAMED)
    shop.publish(FIRST)
    seen = shop.seen(case)
    assert (seen["answer"]["part_number"], seen["catalogue_revision"]) == ("OLD", 3)
    assert shop.known(case)["customer_sees"] is None


def test_two_changes_on_end_still_show_what_was_told_first(shop: Shop) -> None:
    case = shop.customer.submit(SENT)
    shop.publish(RENAMED)
    shop.publish(of_lifts(NEWEST="0.3130", OTHER="0.3400"))
    assert shop.known(case)["answer"]["part_number"] == "NEWEST"
    assert (shop.seen(case)["answer"]["part_number"], shop.seen(case)["round"]) == ("OLD", 1)


def test_new_readings_are_answered_at_once(shop: Shop) -> None:
    case = shop.customer.submit(SENT)
    shop.publish(RENAMED)
    path = f"/v1/submissions/{case['id']}/readings"
    answer = shop.customer.post(path, {"readings": readings()[1:]}).get_json()
    assert answer["answer"]["part_number"] == "NEW"
    assert shop.seen(case)["answer"]["part_number"] == "NEW"


def test_what_measures_nothing_lets_no_changed_answer_out(shop: Shop, database_url: str) -> None:
    case, late = shop.customer.submit(SENT), shop.customer.submit(SENT)
    path = f"/v1/cases/{late['id']}/close"
    assert shop.staff.post(path, {"why": "answered", "reason": "Told."}).status_code == 200
    with psycopg.connect(database_url) as connection:
        # closed for too long to be asked again by the worker
        aged = "UPDATE submissions SET changed_at = now() - interval '90 days' WHERE id = %s"
        connection.execute(aged, [late["id"]])
    shop.publish(RENAMED)
    for each, added in ((case, {"ask_person": True}), (late, {"markings": [{"place": "rear end", "text": "7"}]})):
        answer = shop.customer.post(f"/v1/submissions/{each['id']}/readings", added).get_json()
        assert answer["answer"]["part_number"] == "OLD"
        assert shop.seen(each)["answer"]["part_number"] == "OLD"
        known = shop.known(each)
        assert (known["answer"]["part_number"], known["review"]["state"]) == ("NEW", "waiting")
        shop.decide(each, "NEW")
        assert shop.seen(each)["answer"]["part_number"] == "NEW"


def test_closing_a_case_lets_nothing_out_and_a_letter_does(shop: Shop) -> None:
    closed, written = shop.customer.submit(SENT), shop.customer.submit(SENT)
    shop.publish(RENAMED)
    done = {"why": "withdrawn", "reason": "Has bought elsewhere."}
    assert shop.staff.post(f"/v1/cases/{closed['id']}/close", done).status_code == 200
    assert shop.staff.post(f"/v1/submissions/{written['id']}/letters", {}).status_code == 201
    assert shop.seen(closed)["answer"]["part_number"] == "OLD"
    assert shop.seen(written)["answer"]["part_number"] == "NEW"


def test_a_second_look_at_a_guess_lets_nothing_out(shop: Shop) -> None:
    case = shop.customer.submit(SENT | {"ask_person": True})
    review = shop.known(case)["review"]["id"]
    assert shop.staff.post("/v1/reviews/claim", {"review_id": review}).status_code == 200
    guess = {"outcome": "part", "part_number": "OLD", "confidence": "guess", "reason": "Could be."}
    assert shop.staff.post(f"/v1/reviews/{review}/decision", guess).status_code == 200
    shop.publish(RENAMED)
    second = shop.owner.post("/v1/reviews/claim", {}).get_json()
    while not second["second_look"]:
        second = shop.owner.post("/v1/reviews/claim", {}).get_json()
    said = {"outcome": "part", "part_number": "NEW", "confidence": "sure", "reason": "Looked again."}
    assert shop.owner.post(f"/v1/reviews/{second['id']}/decision", said).status_code == 200
    assert shop.seen(case)["answer"]["part_number"] == "OLD"
