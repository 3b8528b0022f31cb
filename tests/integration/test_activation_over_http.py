"""Thousands of identifications over HTTP while three revisions come: none is dropped, and none mixed."""

from __future__ import annotations

from pathlib import Path

import orjson
import psycopg
import pytest

from service.catalogue_files import read_json
from service.domain.access import Role
from service.identification.answer.losses import DEFAULT_LOSSES
from service.identification.catalogue_table.table import build_table
from service.identification.engine import identify
from service.identification.measuring.model import DEFAULT_MODEL
from service.web.api.submissions.answer import said_of
from service.web.api.submissions.schemas import SubmissionSchema
from tests.benchmarks.bodies import bodies
from tests.changing_catalogue import Callers, activate, changed
from tests.instances import CATALOGUE, Instance, own_stores

pytestmark = pytest.mark.long

ANSWERS_A_REVISION = 1000
SAID = ("state", "answer", "candidates", "credible_set", "not_in_catalogue_probability", "next_reading", "derived")


def test_every_answer_is_of_one_revision_and_comes_out_again_under_it(tmp_path: Path) -> None:
    first = read_json(CATALOGUE.read_bytes())
    catalogues = {1: first, 2: changed(first, 1), 3: changed(first, -1)}
    with own_stores() as stores:
        key = stores.make_key("admin")
        settings = stores.settings | {"LOBEDESK_WORKERS": "2"}
        instances = [Instance(tmp_path / f"instance{number}", settings) for number in range(2)]
        try:
            callers = Callers([instance.url for instance in instances], key, bodies(first, 150, seed=7))
            with callers.asking(6):
                callers.wait_for(ANSWERS_A_REVISION)
                for number in (2, 3):
                    revision, _ = activate(stores.postgres.url(), instances[0].url, key, catalogues[number])
                    assert revision == number
                    callers.wait_for(ANSWERS_A_REVISION)
        finally:
            for instance in instances:
                instance.stop()
        with psycopg.connect(stores.postgres.url()) as connection:
            kept = connection.execute("SELECT count(*) FROM submission_rounds").fetchone()

    assert callers.failures == []
    assert {asked.status for asked in callers.asked} == {201}
    assert len(callers.asked) >= 3 * ANSWERS_A_REVISION
    assert kept == (len(callers.asked),)
    assert {asked.answer["catalogue_revision"] for asked in callers.asked} == {1, 2, 3}

    tables = {number: build_table(whole, DEFAULT_MODEL) for number, whole in catalogues.items()}
    expected: dict[tuple[int, int], object] = {}
    for asked in callers.asked:
        revision = asked.answer["catalogue_revision"]
        if (asked.body, revision) not in expected:
            submission = SubmissionSchema().load(orjson.loads(callers.bodies[asked.body]))
            found = identify(tables[revision], submission, DEFAULT_MODEL, DEFAULT_LOSSES)
            again = said_of(submission, found, revision, Role.ADMIN)
            expected[asked.body, revision] = {name: again[name] for name in SAID}
        assert {name: asked.answer[name] for name in SAID} == expected[asked.body, revision]
