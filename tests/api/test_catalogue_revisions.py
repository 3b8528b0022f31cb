"""Revisions over HTTP: compared, gone back to, written out."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest
from click.testing import CliRunner
from flask import Flask

from service.app import EXTENSION, close_app, create_app
from service.catalogue_files import read_csv, read_json
from service.cli import main
from service.domain.access import Role
from service.settings import Settings
from service.workflows.catalogue.revisions import restore_revision
from service.workflows.keys import create_key
from tests.api.conftest import PLENTY, Caller, as_url
from tests.catalogues import catalogue, part

PATH = "/v1/catalogue/revisions"


@pytest.fixture
def own_app(database_url: str, redis_url: str) -> Iterator[Flask]:
    """The application over a database of this test's own."""
    app = create_app(Settings(database_url=database_url, redis_url=redis_url, rate_staff=PLENTY))
    yield app
    close_app(app)


@pytest.fixture
def admin(own_app: Flask) -> Caller:
    """An administrator who has imported a catalogue and then one with another lift."""
    key = create_key(own_app.extensions[EXTENSION].desk.stores, Role.ADMIN, "the owner")
    caller = Caller(own_app, key)
    changed = part(title="Another")
    for parts, reason in (([part()], "the first"), ([changed, part(part_number="P-9")], "one more")):
        assert caller.post(f"{PATH}?reason={reason}", catalogue(parts=parts)).status_code == 201
    return caller


def test_the_difference_between_two_revisions_is_told_in_fields_and_in_words(admin: Caller) -> None:
    found = admin.get(f"{PATH}/2/difference").get_json()
    assert found == admin.get(f"{PATH}/2/difference?since=1").get_json()
    assert (found["from"], found["to"], found["change_count"]) == (1, 2, 2)
    assert found["counts"]["part"] == {"added": 1, "removed": 0, "changed": 1}
    assert [change["words"] for change in found["changes"]] == [
        "part P-1 changed: title is Another, and was A grind",
        "part P-9 added",
    ]
    back = admin.get(f"{PATH}/1/difference?since=2").get_json()
    assert back["counts"]["part"] == {"added": 0, "removed": 1, "changed": 1}
    assert admin.get(f"{PATH}/1/difference").status_code == 404
    assert admin.get(f"{PATH}/9/difference").status_code == 404


def test_going_back_makes_a_new_revision_of_the_old_one_s_parts_and_says_who_and_why(admin: Caller) -> None:
    response = admin.post(f"{PATH}/1/restore?reason=the second was wrong")
    assert response.status_code == 201
    made = response.get_json()
    assert (made["revision"], made["state"], made["made_by"]) == (3, "active", "the owner")
    assert made["reason"] == "back to revision 1: the second was wrong"
    assert admin.get(response.headers["Location"]).get_json() == made
    assert admin.get(f"{PATH}/3/difference?since=1").get_json()["changes"] == []
    assert admin.get("/v1/catalogue/parts/P-9").status_code == 404


def test_going_back_to_what_is_active_or_to_nothing_changes_nothing(admin: Caller) -> None:
    assert admin.post(f"{PATH}/2/restore").status_code == 409
    assert admin.post(f"{PATH}/7/restore").status_code == 404
    assert [item["revision"] for item in admin.get(PATH).get_json()["items"]] == [2, 1]


def test_what_is_written_out_is_the_catalogue_that_came_in(admin: Caller) -> None:
    expected = read_json(catalogue(parts=[part(title="Another"), part(part_number="P-9")]))
    whole = admin.get("/v1/catalogue/export")
    assert read_json(whole.get_data()) == expected
    names = ("cores.csv", "parts.csv", "lift_tables.csv")
    sheets = [admin.get(f"/v1/catalogue/export/{name}") for name in names]
    assert {sheet.content_type for sheet in sheets} == {"text/csv; charset=utf-8"}
    assert read_csv(*(sheet.get_data() for sheet in sheets)) == expected
    assert admin.get("/v1/catalogue/export/others.csv").status_code == 404
    again = admin.get("/v1/catalogue/export", If_None_Match=whole.headers["ETag"])
    assert again.status_code == 304


def test_nothing_of_the_catalogue_is_read_for_whoever_has_the_revision(admin: Caller, database_url: str) -> None:
    had = {
        path: admin.get(path).headers["ETag"]
        for path in (
            "/v1/catalogue/export",
            "/v1/catalogue/export/parts.csv",
            "/v1/catalogue/cores/C1/page.pdf",
        )
    }
    with psycopg.connect(database_url) as connection:
        connection.execute("ALTER TABLE catalogue_core RENAME TO out_of_reach")
    for path, etag in had.items():
        assert admin.get(path, If_None_Match=etag).status_code == 304
        assert admin.get(path).status_code == 500


def test_what_is_written_out_can_be_imported_again_as_it_stands(admin: Caller) -> None:
    whole = admin.get("/v1/catalogue/export")
    assert admin.post(PATH, whole.get_json()).status_code == 200  # nothing differs
    assert admin.post(PATH, catalogue()).status_code == 201
    assert admin.post(PATH, whole.get_json()).status_code == 201
    assert admin.get("/v1/catalogue/export").get_data() == whole.get_data()


def test_the_terminal_lists_every_revision_however_many_there_are(
    admin: Caller, own_app: Flask, database_url: str
) -> None:
    with own_app.extensions[EXTENSION].desk.stores.transaction() as transaction:
        for _ in range(100):
            restore_revision(transaction, 1, who="the owner", why="once more")
    told = CliRunner().invoke(main, ["catalogue", "revisions"], env={"LOBEDESK_DATABASE_URL": as_url(database_url)})
    assert told.exit_code == 0, told.output
    numbers = [int(line.removeprefix("*").split()[0]) for line in told.output.splitlines()]
    assert numbers == list(range(102, 0, -1))
