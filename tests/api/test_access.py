"""Who may call what: an audience for every route, and each kind of key kept to its own."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from flask import Flask

from service.app import EXTENSION
from service.domain.access import Role
from service.workflows.keys import create_key, digest_of
from tests.api.conftest import Caller

Json = dict[str, Any]

PAGES = {"/desk/", "/widget/", "/guide/", "/return/"}
FILES = {f"/{room}/<path:name>" for room in ("desk", "widget", "guide", "return", "shared")}
OPEN = {"/healthz", "/readyz", "/metrics", "/openapi.json", "/docs", "/v1/guide", "/v1/guide/papers.pdf"}
FILES |= {"/"}  # a page for a browser, and nothing for anybody else
OPEN |= PAGES | FILES
AUDIENCES = {
    "submissions": set(Role),
    "previews": set(Role),
    "reviews": {Role.DESK, Role.BENCH, Role.ADMIN},
    "cases": {Role.DESK, Role.BENCH, Role.ADMIN},
    "returns": set(Role),
    "own_case": set(),
    "reports": {Role.DESK, Role.BENCH, Role.ADMIN},
    "privacy_notice": set(Role),
    "privacy": {Role.ADMIN},
    "mail_ins": set(Role),
    "shafts": {Role.DESK, Role.BENCH, Role.ADMIN},
    "case_photos": set(Role),
    "case_pictures": {Role.DESK, Role.BENCH, Role.ADMIN},
    "photos": {Role.DESK, Role.BENCH, Role.ADMIN},
    "letters": {Role.DESK, Role.BENCH, Role.ADMIN},
    "outbox": {Role.DESK, Role.BENCH, Role.ADMIN},
    "webhooks": {Role.ADMIN},
    "keys": {Role.ADMIN},
    "lift_tables": {Role.DESK, Role.BENCH, Role.ADMIN},
    "bench": {Role.DESK, Role.BENCH, Role.ADMIN},
    "valve_timing": {Role.DESK, Role.BENCH, Role.ADMIN},
    "catalogue": {Role.DESK, Role.BENCH, Role.ADMIN},
    "catalogue_drafts": {Role.ADMIN},
    "catalogue_kept_drafts": {Role.ADMIN},
    "catalogue_faults": {Role.DESK, Role.BENCH, Role.ADMIN},
    "catalogue_import": {Role.ADMIN},
    "catalogue_pages": {Role.DESK, Role.BENCH, Role.ADMIN},
    "catalogue_editing": {Role.ADMIN},
    "reidentification": {Role.DESK, Role.BENCH, Role.ADMIN},
}
"""Written here a second time on purpose: a route that moves to another audience has to be moved here too."""

FILLED = {"uuid": "00000000-0000-7000-8000-000000000000", "int": "999999"}


def test_every_route_has_the_audience_it_should(app: Flask, as_role: Callable[[Role], Caller], nobody: Caller) -> None:
    for rule in app.url_map.iter_rules():
        path = re.sub("<(?:([a-z]+)[^:>]*:)?[^>]+>", lambda part: FILLED.get(part[1], "none"), rule.rule)
        method = next(one for one in ("POST", "PUT", "PATCH", "DELETE", "GET") if one in (rule.methods or ()))
        if rule.rule in OPEN:
            assert nobody.send(method, path).status_code in ((404,) if rule.rule in FILES else (200, 503)), rule
            continue
        audience = AUDIENCES[rule.endpoint.partition(".")[0]]
        assert nobody.send(method, path).status_code == 401, rule
        for role in Role:
            status = as_role(role).send(method, path).status_code
            if not audience:
                assert status == 401, (rule, role, status)  # whoever has a link, and no key at all
                continue
            assert (status == 403) == (role not in audience), (rule, role, status)


@pytest.mark.parametrize(
    "header",
    [
        "",
        "Bearer",
        "Bearer ",
        "Basic abc",
        "Bearer lobedesk",
        "Bearer lobedesk_desk_" + "0" * 39,
        "Bearer \x80\xff",
        "Bearer " + "x" * 4000,
    ],
)
def test_what_is_no_key_opens_nothing(nobody: Caller, header: str) -> None:
    response = nobody.get("/v1/reviews", Authorization=header)

    assert response.status_code == 401
    assert response.headers["WWW-Authenticate"].startswith("Bearer")
    assert response.get_json()["code"] == "not_authenticated"


def test_a_letter_copied_wrongly_is_told_from_a_key_that_is_unknown(app: Flask, keys: dict[Role, str]) -> None:
    key = keys[Role.DESK]
    miscopied = key[:-1] + ("0" if key[-1] != "0" else "1")

    assert "copying" in Caller(app, miscopied).get("/v1/reviews").get_json()["detail"]


def test_a_revoked_key_opens_nothing(app: Flask) -> None:
    stores = app.extensions[EXTENSION].desk.stores
    key = create_key(stores, Role.DESK, "somebody who left")
    assert Caller(app, key).get("/v1/reviews").status_code == 200

    with stores.transaction() as transaction:
        record = transaction.keys.find(digest_of(key))
        assert record is not None
        assert transaction.keys.revoke(record.id)
        assert not transaction.keys.revoke(record.id)

    assert Caller(app, key).get("/v1/reviews").status_code == 401


def test_only_a_hash_of_a_key_is_kept_and_its_use_is_noted(app: Flask, keys: dict[Role, str], desk: Caller) -> None:
    desk.get("/v1/reviews")

    with app.extensions[EXTENSION].pool.connection() as connection:
        rows = connection.execute("SELECT digest, ending, name, last_used_at FROM api_keys").fetchall()

    (row,) = [row for row in rows if bytes(row["digest"]) == digest_of(keys[Role.DESK])]
    assert row["last_used_at"] is not None
    assert not any(keys[Role.DESK] in str(row) for row in rows)


def test_two_keys_are_never_the_same(app: Flask) -> None:
    stores = app.extensions[EXTENSION].desk.stores

    assert len({create_key(stores, Role.WIDGET, "twin") for _ in range(20)}) == 20


def test_a_widget_sees_no_evidence_and_no_markings_of_its_own_customer(widget: Caller, sample: Json) -> None:
    answer = widget.submit(sample | {"note": "POISON-NOTE", "contact": {"email": "poison@shop.example"}})
    again = widget.get(f"/v1/submissions/{answer['id']}")
    chart = widget.get(f"/v1/submissions/{answer['id']}/chart.svg")

    assert chart.status_code == 200
    for candidate in answer["candidates"]:
        assert "evidence" not in candidate
    for text in (str(answer), again.get_data(as_text=True), chart.get_data(as_text=True)):
        assert sample["markings"][0]["text"] not in text.split('"')
        assert "POISON" not in text
        assert "poison@" not in text
    assert "markings" not in answer["submission"]


def test_a_widget_sees_nothing_of_anybody_else(widget: Caller, other_widget: Caller, desk: Caller, scant: Json) -> None:
    own = widget.submit(scant)["id"]
    the_desk_s = desk.submit(scant)["id"]

    assert widget.get(f"/v1/submissions/{own}").status_code == 200
    assert desk.get(f"/v1/submissions/{own}").status_code == 200
    for caller, submission_id in ((other_widget, own), (widget, the_desk_s)):
        assert caller.get(f"/v1/submissions/{submission_id}").status_code == 404
        assert caller.get(f"/v1/submissions/{submission_id}/chart.svg").status_code == 404
        refused = caller.post(f"/v1/submissions/{submission_id}/readings", {"ask_person": True})
        assert refused.status_code == 404
    assert desk.get(f"/v1/submissions/{own}").get_json()["round"] == 1


def test_the_desk_sees_what_a_widget_s_customer_said(widget: Caller, desk: Caller, sample: Json) -> None:
    opened = widget.submit(sample | {"contact": {"email": "customer@shop.example"}})

    seen = desk.get(f"/v1/submissions/{opened['id']}").get_json()

    assert seen["submission"]["contact"]["email"] == "customer@shop.example"
    assert seen["submission"]["markings"] == sample["markings"]
    assert seen["candidates"][0]["evidence"]
