"""The whole way of learning: cases confirmed over the API, a refit at the terminal, answers under the new version."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any
from uuid import UUID

import pytest
from click.testing import CliRunner, Result
from flask import Flask

from service.adapters.postgres.pool import PostgresStores, open_pool
from service.app import EXTENSION, close_app, create_app
from service.catalogue_files import read_json
from service.cli import main
from service.domain.access import Role
from service.domain.readings import Submission
from service.identification.engine import ENGINE_VERSION
from service.identification.learning.calibration import FEWEST_CASES, with_factors
from service.identification.measuring.model import DEFAULT_MODEL
from service.settings import Settings
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.desk import Desk
from service.workflows.identifying.at_hand import AtHand, with_answers
from service.workflows.identifying.identify import open_submission
from service.workflows.keys import authenticate, create_key
from service.workflows.ports.stores import KeyRecord
from tests.api.conftest import FIXTURES, Caller, as_url
from tests.labelled_callers import draw_cases

Json = dict[str, Any]


@pytest.fixture
def own_settings(new_database: Any, api_settings: Settings) -> Iterator[Settings]:
    """Settings for a database with the invented catalogue that no other test writes to."""
    with new_database() as conninfo:
        with open_pool(conninfo) as pool:
            catalogue = read_json((FIXTURES / "catalogue.json").read_bytes())
            import_catalogue(PostgresStores(pool), catalogue, who="tests", why="the invented catalogue")
        yield replace(api_settings, database_url=as_url(conninfo))


@pytest.fixture
def own_app(own_settings: Settings) -> Iterator[Flask]:
    """An application over that database."""
    app = create_app(own_settings)
    yield app
    close_app(app)


def opened(desk: Desk, key: KeyRecord, read: Submission) -> UUID:
    def work(at_hand: AtHand) -> UUID:
        with desk.stores.transaction() as transaction:
            return open_submission(transaction, at_hand, key, read, desk.rules).id

    return with_answers(desk.stores, desk.answering, work)


def confirmed_cases(app: Flask, count: int) -> list[str]:
    """Ids of as many cases, whose callers' scatter and zeros are twice the code's, each with its truth confirmed."""
    desk = app.extensions[EXTENSION].desk
    secret = create_key(desk.stores, Role.DESK, "the workshop")
    key, caller = authenticate(desk.stores, secret), Caller(app, secret)
    catalogue = read_json((FIXTURES / "catalogue.json").read_bytes())
    ids = []
    for case in draw_cases(catalogue, with_factors(DEFAULT_MODEL, {"zero": 2.0, "scatter": 2.0}), count, 20260):
        ids.append(str(opened(desk, key, case.submission)))
        body = {"source": "bench_measured", "outcome": "part", "part_number": case.truth}
        assert caller.post(f"/v1/cases/{ids[-1]}/confirmations", body).status_code == 201
    return ids


def at_the_terminal(settings: Settings, *arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments), env={"LOBEDESK_DATABASE_URL": str(settings.database_url)})


@pytest.mark.long
def test_a_refit_that_is_only_looked_at_changes_nothing(own_app: Flask, own_settings: Settings) -> None:
    confirmed_cases(own_app, FEWEST_CASES + 1)

    shown = at_the_terminal(own_settings, "calibrate")
    assert shown.exit_code == 0, shown.output
    assert "nothing was changed" in shown.output
    listed = at_the_terminal(own_settings, "engine", "list").output
    assert listed.splitlines() == [
        f"{ENGINE_VERSION:<6}the constants of the code and the shares of the catalogue  in use"
    ]

    used = at_the_terminal(own_settings, "calibrate", "--activate")
    # the same cases give the same constants
    assert used.output.splitlines()[:-1] == shown.output.splitlines()[:-1]


def test_what_confirmed_cases_teach_is_put_to_use_and_can_be_taken_back(
    own_app: Flask, own_settings: Settings, sample: Json
) -> None:
    too_few = at_the_terminal(own_settings, "calibrate", "--activate")
    assert too_few.exit_code == 1
    assert f"a fit needs {FEWEST_CASES}" in too_few.output

    ids = confirmed_cases(own_app, FEWEST_CASES + 1)
    used = at_the_terminal(own_settings, "calibrate", "--activate")

    assert "14 confirmed cases fitted, 7 held out" in used.output
    assert "the hand's scatter" in used.output
    assert "log score on the cases held out" in used.output
    assert f"answers come from engine {ENGINE_VERSION}+c1 from now on" in used.output
    listed = at_the_terminal(own_settings, "engine", "list").output.splitlines()
    assert listed[0].startswith("c1")
    assert listed[0].endswith("in use")

    later = create_app(own_settings)  # a process that looks at what is in use for the first time
    desk = Caller(later, create_key(later.extensions[EXTENSION].desk.stores, Role.DESK, "later"))
    answer = desk.submit(sample)
    assert answer["engine_version"] == f"{ENGINE_VERSION}+c1"
    earlier = desk.get(f"/v1/submissions/{ids[0]}").get_json()
    assert earlier["engine_version"] == ENGINE_VERSION
    close_app(later)

    # Both answers are worked out again to the last digit, each under its own version.
    for case, version in ((answer["id"], f"{ENGINE_VERSION}+c1"), (ids[0], ENGINE_VERSION)):
        again = at_the_terminal(own_settings, "engine", "again", case)
        assert again.exit_code == 0, again.output
        assert again.output.splitlines()[0].split() == [version, version]
        assert again.output.splitlines()[-1] == "the same"
    other = at_the_terminal(own_settings, "engine", "again", ids[0], "--version", f"{ENGINE_VERSION}+c1")
    assert other.output.splitlines()[-1].startswith("not the same")

    standing = at_the_terminal(own_settings, "status").output
    assert [line.split()[1] for line in standing.splitlines() if line.startswith("engine ")] == [f"{ENGINE_VERSION}+c1"]

    shares = at_the_terminal(own_settings, "calibrate", "--only", "shares", "--activate")
    assert shares.exit_code == 0, shares.output
    assert "21 confirmed callers had a part of this catalogue" in shares.output
    assert "the hand's scatter" not in shares.output
    assert "cases answered with one part" in shares.output
    assert f"answers come from engine {ENGINE_VERSION}+c2 from now on" in shares.output
    assert "constants and shares" in at_the_terminal(own_settings, "engine", "list").output.splitlines()[0]

    back = at_the_terminal(own_settings, "engine", "use", ENGINE_VERSION)
    assert back.output == f"answers come from engine {ENGINE_VERSION} from now on\n"
    unknown = at_the_terminal(own_settings, "engine", "use", "c9")
    assert unknown.exit_code == 1
    assert "There is no engine version c9." in unknown.output
