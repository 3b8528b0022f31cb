"""One part or one core changed over the API: a new revision each time, never over somebody else's change."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from flask import Flask

from service.adapters.postgres.pool import PostgresStores, open_pool
from service.app import EXTENSION, close_app, create_app
from service.catalogue_files import read_json
from service.domain.access import Role
from service.settings import Settings
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.keys import create_key
from tests.api.conftest import Caller, Json, as_url
from tests.catalogues import catalogue, part, plain_lobe

LIFTS = {"OLD-1": "0.3080", "MID-2": "0.3130", "NEW-3": "0.3180"}


@pytest.fixture
def own_app(database_url: str, api_settings: Settings) -> Iterator[Flask]:
    """An application over a database of its own, with three parts on a core."""
    parts = [part(part_number=name, lobes={"intake": plain_lobe(lift)}) for name, lift in LIFTS.items()]
    with open_pool(database_url) as pool:
        import_catalogue(PostgresStores(pool), read_json(catalogue(parts=parts)), who="tests", why="three parts")
    app = create_app(replace(api_settings, database_url=as_url(database_url)))
    yield app
    close_app(app)


def caller_of(app: Flask, role: Role) -> Caller:
    return Caller(app, create_key(app.extensions[EXTENSION].desk.stores, role, f"the {role}"))


@pytest.fixture
def admin(own_app: Flask) -> Caller:
    """Who keeps the catalogue."""
    return caller_of(own_app, Role.ADMIN)


def read(caller: Caller, path: str) -> tuple[Json, str]:
    """What is there, and its tag."""
    response = caller.get(f"/v1/catalogue/{path}")
    assert response.status_code == 200
    body: Json = response.get_json()
    return body, response.headers["ETag"]


def put(caller: Caller, path: str, body: Any, tag: str | None, **more: str) -> Any:
    headers = more if tag is None else {"If-Match": tag} | more
    return caller.send("PUT", f"/v1/catalogue/{path}", json=body, headers=headers)


def test_a_changed_part_is_a_new_revision_by_a_name_for_a_reason(admin: Caller) -> None:
    found, tag = read(admin, "parts/OLD-1")
    changed = copy.deepcopy(found) | {"title": "Measured again"}
    changed["lobes"]["intake"]["lift"] = "0.3085"
    response = put(admin, "parts/OLD-1?reason=measured", changed, tag)
    assert response.status_code == 200, response.get_data(as_text=True)
    answer = response.get_json()
    assert (answer["catalogue_revision"], answer["title"], answer["warnings"]) == (2, "Measured again", [])
    assert read(admin, "parts/OLD-1")[0]["lobes"]["intake"]["lift"] == "0.3085"
    assert response.headers["ETag"] == read(admin, "parts/OLD-1")[1] != tag
    made = admin.get("/v1/catalogue/revisions/2").get_json()
    assert (made["made_by"], made["reason"]) == ("the admin", "part OLD-1 changed: measured")
    [change] = admin.get("/v1/catalogue/revisions/2/difference").get_json()["changes"]
    assert {field["field"] for field in change["fields"]} == {"title", "intake.lift"}


def test_what_changes_nothing_makes_no_revision(admin: Caller) -> None:
    for path in ("parts/MID-2", "cores/C1"):
        found, tag = read(admin, path)
        response = put(admin, path, found, tag)
        assert (response.status_code, response.get_json()["catalogue_revision"]) == (200, 1)
    assert len(admin.get("/v1/catalogue/revisions").get_json()["items"]) == 1


def test_nobody_changes_what_they_have_not_seen(admin: Caller) -> None:
    found, tag = read(admin, "parts/OLD-1")
    core, _ = read(admin, "cores/C1")
    assert put(admin, "parts/OLD-1", found | {"title": "First"}, tag).status_code == 200
    for path, body in (("parts/OLD-1", found), ("parts/MID-2", found), ("cores/C1", core)):
        unsaid = put(admin, path, body, None)
        assert (unsaid.status_code, unsaid.get_json()["type"].rpartition("-")[2]) == (428, "precondition_needed")
        assert put(admin, path, body, tag).status_code == 412
        assert admin.send("DELETE", f"/v1/catalogue/{path}").status_code == 428
        assert admin.send("DELETE", f"/v1/catalogue/{path}", headers={"If-Match": tag}).status_code == 412
    assert read(admin, "parts/OLD-1")[0]["title"] == "First"


def test_a_change_sent_twice_under_one_key_is_one(admin: Caller) -> None:
    found, tag = read(admin, "parts/OLD-1")
    sent = [
        put(admin, "parts/OLD-1", found | {"title": "Once"}, tag, **{"Idempotency-Key": "the-same"}) for _ in range(2)
    ]
    assert [response.status_code for response in sent] == [200, 200]
    assert sent[0].get_data() == sent[1].get_data()
    assert read(admin, "parts/OLD-1")[0]["catalogue_revision"] == 2


def test_supersession_may_be_a_chain_and_never_a_circle(admin: Caller) -> None:
    for old, new in (("OLD-1", "MID-2"), ("MID-2", "NEW-3")):
        found, tag = read(admin, f"parts/{old}")
        changed = found | {"status": "superseded", "superseded_by": new}
        assert put(admin, f"parts/{old}", changed, tag).status_code == 200
    found, tag = read(admin, "parts/NEW-3")
    refused = put(admin, "parts/NEW-3", found | {"status": "superseded", "superseded_by": "OLD-1"}, tag)
    assert refused.status_code == 422
    [fault] = refused.get_json()["errors"]
    assert fault["pointer"] == "/superseded_by"
    assert "circle" in fault["detail"]
    assert all(name in fault["detail"] for name in LIFTS)
    nowhere = put(admin, "parts/NEW-3", found | {"status": "superseded", "superseded_by": "NOBODY"}, tag)
    assert [fault["pointer"] for fault in nowhere.get_json()["errors"]] == ["/superseded_by"]
    assert read(admin, "parts/NEW-3")[0]["catalogue_revision"] == 3


def test_every_fault_is_named_by_its_pointer_and_nothing_is_kept(admin: Caller) -> None:
    found, tag = read(admin, "parts/OLD-1")
    wrong = copy.deepcopy(found) | {"core": "NONE", "colour": "red"}
    wrong["lobes"]["intake"]["lift"] = "31.3"
    refused = put(admin, "parts/OLD-1", wrong, tag)
    assert refused.status_code == 422
    assert {fault["pointer"] for fault in refused.get_json()["errors"]} == {"/colour", "/lobes/intake/lift"}
    for body, pointer in ((found | {"core": "NONE"}, "/core"), (found | {"part_number": "OTHER"}, "/part_number")):
        assert [f["pointer"] for f in put(admin, "parts/OLD-1", body, tag).get_json()["errors"]] == [pointer]
    assert read(admin, "parts/OLD-1")[1] == tag


def test_a_part_is_added_and_taken_out_again(admin: Caller) -> None:
    added = admin.post("/v1/catalogue/parts", part(part_number="FOUR/4", lobes={"intake": plain_lobe("0.3230")}))
    assert added.status_code == 201, added.get_data(as_text=True)
    assert admin.get(added.headers["Location"]).get_json()["lobes"]["intake"]["lift"] == "0.3230"
    assert admin.post("/v1/catalogue/parts", part(part_number="FOUR/4")).status_code == 409
    tag = added.headers["ETag"]
    gone = admin.send("DELETE", "/v1/catalogue/parts/FOUR/4?reason=never+was", headers={"If-Match": tag})
    assert (gone.status_code, gone.get_json()["reason"]) == (200, "part FOUR/4 taken out: never was")
    assert admin.get("/v1/catalogue/parts/FOUR/4").status_code == 404
    again = admin.send("DELETE", "/v1/catalogue/parts/FOUR/4", headers={"If-Match": gone.headers["ETag"]})
    assert again.status_code == 404


def test_what_others_name_is_not_taken_out(admin: Caller) -> None:
    found, tag = read(admin, "parts/OLD-1")
    changed = put(admin, "parts/OLD-1", found | {"status": "superseded", "superseded_by": "MID-2"}, tag)
    here = {"If-Match": changed.headers["ETag"]}
    assert admin.send("DELETE", "/v1/catalogue/parts/MID-2", headers=here).status_code == 409
    refused = admin.send("DELETE", "/v1/catalogue/cores/C1", headers=here)
    assert refused.status_code == 409
    assert "OLD-1" in refused.get_json()["detail"]


def test_a_core_is_added_changed_and_taken_out(admin: Caller) -> None:
    core, _ = read(admin, "cores/C1")
    added = admin.post("/v1/catalogue/cores", core | {"code": "TT", "name": "Another"})
    assert added.status_code == 201, added.get_data(as_text=True)
    changed = put(admin, "cores/TT", core | {"code": "TT", "name": "Renamed"}, added.headers["ETag"])
    assert (changed.status_code, changed.get_json()["name"]) == (200, "Renamed")
    assert read(admin, "cores/TT")[0]["name"] == "Renamed"
    gone = admin.send("DELETE", "/v1/catalogue/cores/TT", headers={"If-Match": changed.headers["ETag"]})
    assert gone.status_code == 200
    assert admin.get("/v1/catalogue/cores/TT").status_code == 404


def test_a_discontinued_part_is_still_identified(admin: Caller) -> None:
    found, tag = read(admin, "parts/MID-2")
    assert put(admin, "parts/MID-2", found | {"status": "discontinued"}, tag).status_code == 200
    readings = [
        {"feature": "journal_diameter", "position": "front", "values": ["0.7500"]},
        {"feature": "lobe_height", "lobe": "intake", "values": ["1.1740"]},
        {"feature": "base_circle", "lobe": "intake", "values": ["0.8610"]},
        {"feature": "lobe_lift", "lobe": "intake", "values": ["0.3130"], "instrument": "dial_indicator"},
    ]
    answer = admin.submit({"source": "phone", "unit": "in", "instrument": "outside_micrometer", "readings": readings})
    assert answer["candidates"][0]["part_number"] == "MID-2"


def test_only_admins_change_the_catalogue(own_app: Flask) -> None:
    desk = caller_of(own_app, Role.DESK)
    found, tag = read(desk, "parts/OLD-1")
    assert put(desk, "parts/OLD-1", found, tag).status_code == 403
    assert desk.post("/v1/catalogue/parts", found).status_code == 403


@pytest.mark.parametrize("body", [[], "part", 3, {}, {"catalogue_revision": "1"}, {"catalogue_revision": 0}])
def test_what_is_no_part_is_refused_with_a_pointer(admin: Caller, body: Any) -> None:
    for path in ("parts", "cores"):
        response = admin.send("POST", f"/v1/catalogue/{path}", json=body)
        assert response.status_code == 422, response.get_data(as_text=True)
        assert response.get_json()["errors"]
