"""The desk's own rules hold for a posted shaft's case too: when an answer is owed, and what is looked at twice."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
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
from tests.api.conftest import FIXTURES, SAMPLE, Caller, as_url
from tests.api.test_mail_ins import Json, Shaft

NOBODYS: list[Json] = [
    {"feature": "base_circle", "lobe": lobe, "values": ["1.300", "1.300"]} for lobe in ("intake", "exhaust")
]
"""A shaft that no part of the catalogue is."""


@pytest.fixture
def bench(new_database: Any, api_settings: Settings) -> Iterator[Caller]:
    """The bench of a house that owes posted shafts an answer in 11 hours, and looks at every automatic one twice."""
    with new_database() as conninfo:
        with open_pool(conninfo) as pool:
            catalogue = read_json((FIXTURES / "catalogue.json").read_bytes())
            import_catalogue(PostgresStores(pool), catalogue, who="tests", why="the invented catalogue")
        settings = replace(
            api_settings,
            database_url=as_url(conninfo),
            reply_hours="phone=1,counter=1,web=1,mail_in=11",
            second_look_share=1.0,
        )
        app: Flask = create_app(settings)
        yield Caller(app, create_key(app.extensions[EXTENSION].desk.stores, Role.BENCH, "the bench"))
        close_app(app)


def measured(bench: Caller, *readings: list[Json]) -> Json:
    """The one review there is of a shaft that was measured, so often as there are readings."""
    shaft = Shaft(bench).told("received")
    for some in readings:
        answer = shaft.tell("measured", readings=some)
        assert answer.status_code == 200, answer.get_data(as_text=True)
    (review,) = bench.get("/v1/reviews?state=waiting").get_json()["items"]
    assert review["submission_id"] == shaft.read()["submission"]
    return dict(review)


def owed_in(review: Json) -> timedelta:
    return datetime.fromisoformat(review["due_at"]) - datetime.fromisoformat(review["opened_at"])


def test_an_answer_is_owed_as_soon_as_the_house_says(bench: Caller) -> None:
    review = measured(bench, NOBODYS)

    assert review["reason"] == "not_in_catalogue"
    assert owed_in(review) == timedelta(hours=11)


def test_an_answer_to_what_was_measured_later_is_too(bench: Caller) -> None:
    journal = {"feature": "journal_diameter", "position": "front", "values": ["0.7498"]}
    review = measured(bench, [journal], NOBODYS)

    assert review["reason"] == "not_in_catalogue"
    assert owed_in(review) == timedelta(hours=11)


def test_an_automatic_answer_is_in_the_sample_that_the_house_takes(bench: Caller) -> None:
    assert measured(bench, SAMPLE["readings"])["reason"] == "automatic_sample"
