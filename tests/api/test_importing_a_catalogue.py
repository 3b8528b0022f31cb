"""A new catalogue over HTTP: administrators only, all or nothing, every fault by its pointer."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import orjson
import pytest
from flask import Flask

from fixtures.make_catalogue import generate
from service.app import EXTENSION, close_app, create_app
from service.domain.access import Role
from service.settings import Settings
from service.workflows.keys import create_key
from tests.api.conftest import FIXTURES, PLENTY, Caller
from tests.catalogues import catalogue, part, with_value

PATH = "/v1/catalogue/revisions"


@pytest.fixture
def own_app(database_url: str, redis_url: str) -> Iterator[Flask]:
    """The application over an empty database of this test's own."""
    limits = {"rate_staff": PLENTY, "body_limit": 20_000, "catalogue_body_limit": 400_000}
    app = create_app(Settings(database_url=database_url, redis_url=redis_url, **limits))  # type: ignore[arg-type]
    yield app
    close_app(app)


def caller_of(app: Flask, role: Role) -> Caller:
    return Caller(app, create_key(app.extensions[EXTENSION].desk.stores, role, f"{role} of the tests"))


@pytest.fixture
def admin(own_app: Flask) -> Caller:
    return caller_of(own_app, Role.ADMIN)


def revisions(caller: Caller) -> list[tuple[int, str]]:
    return [(shown["revision"], shown["state"]) for shown in caller.get(PATH).get_json()["items"]]


def test_a_catalogue_becomes_the_active_revision(admin: Caller) -> None:
    response = admin.post(f"{PATH}?reason=spring", catalogue())
    assert response.status_code == 201
    assert response.headers["Location"] == f"{PATH}/1"
    report = response.get_json()
    assert (report["revision"], report["cores"], report["parts"], report["lift_tables"]) == (1, 1, 2, 2)
    kept = admin.get(response.headers["Location"]).get_json()
    assert (kept["state"], kept["made_by"], kept["reason"]) == ("active", "admin of the tests", "spring")
    assert admin.get("/v1/catalogue/parts/P-1").get_json()["lobes"]["intake"]["lift"] == "0.3130"


def test_a_catalogue_may_be_longer_than_any_other_body(admin: Caller) -> None:
    text = (FIXTURES / "catalogue.json").read_bytes()
    assert 20_000 < len(text) < 400_000
    assert admin.send("POST", PATH, data=text, content_type="application/json").status_code == 201
    assert admin.get("/v1/catalogue/cores").get_json()["items"][0]["code"] == "KD"


def test_a_catalogue_over_its_limit_is_refused(admin: Caller) -> None:
    text = orjson.dumps(generate(cores=40, seed=1))
    assert len(text) > 400_000
    assert admin.send("POST", PATH, data=text, content_type="application/json").status_code == 413
    assert revisions(admin) == []


@pytest.mark.parametrize("role", [Role.WIDGET, Role.DESK, Role.BENCH])
def test_only_an_administrator_may_import(own_app: Flask, admin: Caller, role: Role) -> None:
    assert caller_of(own_app, role).post(PATH, catalogue()).status_code == 403
    assert Caller(own_app, None).post(PATH, catalogue()).status_code == 401
    assert revisions(admin) == []


def test_every_fault_is_named_and_nothing_changes(admin: Caller) -> None:
    admin.post(PATH, catalogue())
    spoilt = with_value(catalogue(), "parts/0/lobes/intake/lift", "thick")
    spoilt = with_value(spoilt, "parts/1/core", "C9")
    spoilt = with_value(spoilt, "cores/0/journals/0/rouge", 1)
    response = admin.post(PATH, spoilt)
    assert response.status_code == 422
    problem = response.get_json()
    assert problem["code"] == "catalogue_faults"
    assert {error["pointer"] for error in problem["errors"]} == {
        "/parts/0/lobes/intake/lift",
        "/parts/1/core",
        "/cores/0/journals/0/rouge",
    }
    assert revisions(admin) == [(1, "active")]


@pytest.mark.parametrize("body", [b"", b"null", b"[]", b'"text"', b"{", b"[" * 9_000, b'{"parts": NaN}'])
def test_what_is_no_catalogue_is_refused(admin: Caller, body: bytes) -> None:
    response = admin.send("POST", PATH, data=body, content_type="application/json")
    assert response.status_code in (400, 422)
    assert response.content_type == "application/problem+json"
    assert admin.send("POST", PATH, data=orjson.dumps(catalogue()), content_type="text/csv").status_code == 415


def test_a_retry_with_the_same_key_imports_once(admin: Caller) -> None:
    first = admin.post(PATH, catalogue(), Idempotency_Key="spring")
    again = admin.post(PATH, catalogue(), Idempotency_Key="spring")
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.data == again.data
    assert revisions(admin) == [(1, "active")]


def test_a_catalogue_that_is_the_active_one_already_makes_no_revision(admin: Caller) -> None:
    first = admin.post(PATH, catalogue())
    again = admin.post(f"{PATH}?reason=again", catalogue())

    assert (first.status_code, again.status_code) == (201, 200)
    assert again.headers["Location"] == first.headers["Location"]
    assert again.get_json() == first.get_json() | {"made": False}
    assert first.get_json()["made"] is True
    assert revisions(admin) == [(1, "active")]
    assert admin.get(f"{PATH}/2/reidentification").status_code == 404


@pytest.mark.parametrize(
    "other",
    [
        pytest.param(lambda whole: with_value(whole, "parts/1/lobes/intake/lift", "0.31301"), id="a digit more"),
        pytest.param(lambda whole: whole | {"parts": whole["parts"][::-1]}, id="another order"),
        pytest.param(lambda whole: with_value(whole, "parts/0/units_sold", 12345), id="a count"),
        pytest.param(lambda whole: with_value(whole, "cores/0/name", "Another name"), id="a core's name"),
        pytest.param(lambda whole: whole | {"parts": whole["parts"][:1]}, id="a part less"),
    ],
)
def test_a_catalogue_that_differs_in_anything_makes_one(admin: Caller, other: Callable[[Any], Any]) -> None:
    admin.post(PATH, catalogue())
    second = admin.post(PATH, other(catalogue()))
    assert (second.status_code, second.get_json()["revision"], second.get_json()["made"]) == (201, 2, True)
    # and what is older is not what is active
    assert admin.post(PATH, catalogue()).status_code == 201


def test_a_list_goes_on_in_the_revision_it_began_in(admin: Caller) -> None:
    parts = [part(part_number=f"OLD-{i}") for i in range(5)]
    admin.post(PATH, catalogue(parts=parts))
    page = admin.get("/v1/catalogue/parts?limit=2").get_json()
    admin.post(PATH, catalogue(parts=[part(part_number=f"NEW-{i}") for i in range(5)]))
    rest = admin.get(f"/v1/catalogue/parts?cursor={page['next_cursor']}").get_json()
    assert [shown["part_number"] for shown in rest["items"]] == ["OLD-2", "OLD-3", "OLD-4"]
    assert rest["catalogue_revision"] == 1
    assert admin.get("/v1/catalogue/parts").get_json()["catalogue_revision"] == 2


def test_look_alikes_and_etags_follow_the_active_revision(admin: Caller) -> None:
    admin.post(PATH, catalogue())
    first = admin.get("/v1/catalogue/look-alikes")
    assert first.get_json()["items"] == []
    twin: dict[str, Any] = part(part_number="P-2", lobe_separation="120")
    report = admin.post(PATH, catalogue(parts=[part(), twin])).get_json()
    again = admin.get("/v1/catalogue/look-alikes", If_None_Match=first.headers["ETag"])
    assert again.status_code == 200
    assert again.get_json()["items"] == report["look_alikes"]
    assert report["look_alike_pairs"] == 1
    assert report["look_alikes"][0]["separated_by"] == "lobe_separation"


def test_before_the_first_import_the_catalogue_is_unavailable(own_app: Flask) -> None:
    desk = caller_of(own_app, Role.DESK)
    for path in ("parts", "cores", "look-alikes", "parts/P-1"):
        response = desk.get(f"/v1/catalogue/{path}")
        assert response.status_code == 503
        assert "No catalogue has been imported" in response.get_json()["detail"]
    assert revisions(desk) == []


def test_revisions_are_listed_newest_first_page_by_page(admin: Caller) -> None:
    for count in range(5):
        assert admin.post(PATH, catalogue(parts=[part(units_sold=count)])).status_code == 201
    first = admin.get(f"{PATH}?limit=2").get_json()
    second = admin.get(f"{PATH}?limit=2&cursor={first['next_cursor']}").get_json()
    third = admin.get(f"{PATH}?limit=2&cursor={second['next_cursor']}").get_json()
    numbers = [[shown["revision"] for shown in page["items"]] for page in (first, second, third)]
    assert numbers == [[5, 4], [3, 2], [1]]
    assert third["next_cursor"] is None


def test_a_dry_run_reports_and_changes_nothing(admin: Caller) -> None:
    twins = catalogue(parts=[part(), part(part_number="P-2")])
    response = admin.post(f"{PATH}?dry_run=true", twins)
    assert response.status_code == 200
    report = response.get_json()
    assert (report["revision"], report["parts"], report["warning_count"]) == (None, 2, 1)
    assert report["warnings"] == [
        {"pointer": "/parts/1/part_number", "detail": "is stated exactly as P-1 is; are they one part?"}
    ]
    assert admin.get(PATH).get_json()["items"] == []
