"""What the desk learns when the truth comes out: as JSON, drawn, and at the terminal."""

from __future__ import annotations

import copy
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import orjson
import pytest
from click.testing import CliRunner
from flask import Flask

from service.adapters.postgres.pool import PostgresStores, open_pool
from service.app import EXTENSION, close_app, create_app
from service.catalogue_files import read_json
from service.cli import main
from service.domain.access import Role
from service.settings import Settings
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.keys import create_key
from tests.api.conftest import FIXTURES, SAMPLE, Caller, as_url
from tests.api.queue import SCANT, SURE, claimed, decided, waiting

Json = dict[str, Any]


@pytest.fixture
def own_settings(new_database: Any, api_settings: Settings) -> Iterator[Settings]:
    """Settings for a database with the invented catalogue that no other test writes to; every answer is sampled."""
    with new_database() as conninfo:
        with open_pool(conninfo) as pool:
            catalogue = read_json((FIXTURES / "catalogue.json").read_bytes())
            import_catalogue(PostgresStores(pool), catalogue, who="tests", why="the invented catalogue")
        yield replace(api_settings, database_url=as_url(conninfo), second_look_share=1.0)


@pytest.fixture
def own_app(own_settings: Settings) -> Iterator[Flask]:
    """An application over that database."""
    app = create_app(own_settings)
    yield app
    close_app(app)


def person(app: Flask, name: str) -> Caller:
    return Caller(app, create_key(app.extensions[EXTENSION].desk.stores, Role.DESK, name))


def confirm(caller: Caller, answer: Json, part_number: str | None) -> None:
    outcome = "not_in_catalogue" if part_number is None else "part"
    body = {"source": "box_found", "outcome": outcome, "part_number": part_number}
    assert caller.post(f"/v1/cases/{answer['id']}/confirmations", body).status_code == 201


def test_nothing_is_known_before_anything_is_confirmed(own_app: Flask) -> None:
    report = person(own_app, "a desk").get("/v1/reports/truth").get_json()

    assert report["confirmed_cases"] == 0
    assert report["kappa"] is None
    assert report["named_right"] == {"of": 0, "count": 0, "share": None, "interval": None}


def test_the_record_says_how_often_answers_and_people_were_right(own_app: Flask, own_settings: Settings) -> None:
    moll, reed = person(own_app, "J. Moll"), person(own_app, "A. Reed")

    # Two answers named a part; the box of one of them says otherwise.
    right, wrong = moll.submit(copy.deepcopy(SAMPLE)), moll.submit(copy.deepcopy(SAMPLE))
    named = right["answer"]["part_number"]
    confirm(moll, right, named)
    confirm(moll, wrong, None)
    # Two cases were decided by people, one on a guess that a colleague looked at again and did not share.
    sure, guessed = waiting(moll), waiting(moll)
    decided(moll, claimed(moll, sure)["id"])
    decided(moll, claimed(moll, guessed)["id"], confidence="guess")
    second = moll.get("/v1/reviews?state=waiting&limit=100").get_json()["items"]
    (again,) = [review for review in second if review["submission_id"] == guessed["id"]]
    assert reed.post("/v1/reviews/claim", {"review_id": again["id"]}).status_code == 200
    decided(reed, again["id"], outcome="not_in_catalogue", part_number=None)
    confirm(moll, sure, SURE["part_number"])
    confirm(moll, guessed, None)
    # Both automatic answers were sampled; one has been looked at.
    (sampled,) = [review for review in second if review["submission_id"] == right["id"]]
    assert (sampled["reason"], sampled["second_look"]) == ("automatic_sample", True)
    assert reed.post("/v1/reviews/claim", {"review_id": sampled["id"]}).status_code == 200
    decided(reed, sampled["id"], part_number=named)

    report = moll.get("/v1/reports/truth").get_json()

    assert report["confirmed_cases"] == 4
    assert (report["named_right"]["count"], report["named_right"]["of"]) == (1, 2)
    assert sum(one["came_true"]["of"] for one in report["reliability"]) == 4
    by = {reviewer["by"]: reviewer for reviewer in report["reviewers"]}
    assert (by["J. Moll"]["right"]["count"], by["J. Moll"]["right"]["of"]) == (1, 2)
    assert (by["A. Reed"]["right"]["count"], by["A. Reed"]["right"]["of"]) == (2, 2)
    assert {one["confidence"]: one["right"]["count"] for one in by["J. Moll"]["by_confidence"]} == {
        "guess": 0,
        "sure": 1,
    }
    assert (report["second_looks_agree"]["count"], report["second_looks_agree"]["of"]) == (0, 1)
    assert (report["sampled_answers_agree"]["count"], report["sampled_answers_agree"]["of"]) == (1, 1)

    drawing = moll.get("/v1/reports/truth.svg")
    assert drawing.mimetype == "image/svg+xml"
    assert ET.fromstring(drawing.data).tag.endswith("svg")
    assert "J. Moll was right 1 of 2" in drawing.get_data(as_text=True)

    # The same at the terminal.
    environment = {"LOBEDESK_DATABASE_URL": str(own_settings.database_url)}
    said = CliRunner().invoke(main, ["report"], env=environment)
    assert said.exit_code == 0, said.output
    assert "Confirmed cases: 4" in said.output
    assert "J. Moll: 1 of 2" in said.output
    as_json = CliRunner().invoke(main, ["report", "--json"], env=environment)
    assert orjson.loads(as_json.output) == report


def test_a_sampled_answer_keeps_no_customer_waiting(own_app: Flask) -> None:
    answer = person(own_app, "a desk").submit(copy.deepcopy(SAMPLE))

    assert answer["state"] == "identified"
    assert answer["review"] is None
    assert answer["expected_reply_at"] is None


def test_a_case_that_needs_another_reading_is_no_automatic_answer(own_app: Flask) -> None:
    desk = person(own_app, "a desk")
    answer = desk.submit(SCANT)

    reviews = desk.get("/v1/reviews").get_json()["items"]

    assert [review for review in reviews if review["submission_id"] == answer["id"]] == []
