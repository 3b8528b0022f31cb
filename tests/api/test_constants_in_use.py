"""What is weighed beside the answers is weighed by the constants that are in use, not by the code's."""

from __future__ import annotations

import copy
import time
from collections.abc import Iterator
from dataclasses import replace
from typing import Any
from uuid import uuid4

import orjson
import pytest
from flask import Flask

from service.adapters.postgres.pool import PostgresStores
from service.app import EXTENSION, close_app, create_app
from service.catalogue_files import read_json
from service.domain.access import Role
from service.identification.learning.calibration import FACTORS, Refit, with_factors
from service.identification.measuring.model import DEFAULT_MODEL
from service.settings import Settings
from service.web.api.valve_timing.schemas import TIMING_EXAMPLES
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.desk import Desk
from service.workflows.identifying.engine_versions import version_named
from service.workflows.keys import create_key
from service.workflows.learning.calibrate import use_version
from service.workflows.ports.engine import NewVersion
from tests.api.conftest import FIXTURES, Caller, as_url

CATALOGUE = (FIXTURES / "catalogue.json").read_bytes()
UNSTEADY = with_factors(DEFAULT_MODEL, {"scatter": 3.0})


@pytest.fixture
def own_app(database_url: str, api_settings: Settings) -> Iterator[Flask]:
    """The application over a database of this test's own."""
    app = create_app(replace(api_settings, database_url=as_url(database_url)))
    yield app
    close_app(app)


@pytest.fixture
def admin(own_app: Flask, stores: PostgresStores) -> Caller:
    import_catalogue(stores, read_json(CATALOGUE), who="tests", why="the invented catalogue")
    return Caller(own_app, create_key(stores, Role.ADMIN, "the owner"))


def put_to_use(app: Flask, stores: PostgresStores) -> None:
    """Have hands three times as unsteady be what answers go by, and wait until the application does."""
    refits = tuple(Refit(name, 1.0, 0.1) for name in FACTORS)
    with stores.transaction() as transaction:
        name = transaction.engine_versions.add(NewVersion(UNSTEADY, refits, 1, (uuid4(),), 14, 7, 1.0, 0.9, "tests"))
    use_version(stores, name, "tests")
    desk: Desk = app.extensions[EXTENSION].desk
    deadline = time.monotonic() + 30
    while desk.answering.snapshot.held is None or desk.answering.snapshot.held.engine_version != version_named(name):
        assert time.monotonic() < deadline, "the application has not turned to the new version"
        time.sleep(0.02)


def test_valve_timing_is_as_sure_as_the_desk_s_callers_are(
    own_app: Flask, admin: Caller, stores: PostgresStores
) -> None:
    sheet = copy.deepcopy(TIMING_EXAMPLES["four_events"]["value"])

    def doubt() -> float:
        figures: dict[str, Any] = admin.post("/v1/valve-timing", sheet).get_json()["figures"]
        return float(figures["intake_duration"]["standard_uncertainty"])

    before = doubt()
    put_to_use(own_app, stores)
    assert doubt() > 1.5 * before


def test_a_dry_run_says_what_the_import_will_say(own_app: Flask, admin: Caller, stores: PostgresStores) -> None:
    put_to_use(own_app, stores)

    def pairs(query: str) -> int:
        found: int = admin.post(f"/v1/catalogue/revisions{query}", orjson.loads(CATALOGUE)).get_json()[
            "look_alike_pairs"
        ]
        return found

    assert pairs("?dry_run=true") == pairs("")
