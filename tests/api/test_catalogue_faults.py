"""What confirmed shafts say of the catalogue itself, over HTTP and at the terminal."""

from __future__ import annotations

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
from tests.api.conftest import Caller, as_url
from tests.catalogues import catalogue, lobe, part

PATH = "/v1/catalogue/faults"


@pytest.fixture
def own_settings(new_database: Any, api_settings: Settings) -> Iterator[Settings]:
    """Settings for a database with a small catalogue that no other test writes to."""
    with new_database() as conninfo:
        with open_pool(conninfo) as pool:
            stated = catalogue(parts=[part(lobes={"intake": lobe(), "exhaust": lobe()})])
            import_catalogue(PostgresStores(pool), read_json(stated), who="tests", why="invented")
        yield replace(api_settings, database_url=as_url(conninfo))


@pytest.fixture
def desk(own_settings: Settings) -> Iterator[tuple[Flask, Caller]]:
    """Somebody at the desk of that catalogue."""
    app = create_app(own_settings)
    yield app, Caller(app, create_key(app.extensions[EXTENSION].desk.stores, Role.DESK, "the desk"))
    close_app(app)


def test_four_shafts_that_agree_with_each_other_and_not_with_the_print_are_named(
    desk: tuple[Flask, Caller], own_settings: Settings
) -> None:
    _, caller = desk
    # printed: lift 0.3130 in on a base circle of 0.8610 in; every shaft measures 0.318 in
    for n in range(4):
        readings = [
            {"feature": "lobe_height", "lobe": "intake", "values": [f"1.17{90 + n}"]},
            {"feature": "base_circle", "lobe": "intake", "values": ["0.8610"]},
        ]
        body = {
            "source": "mail_in",
            "unit": "in",
            "instrument": "bench",
            "experience": "practised",
            "readings": readings,
        }
        answer = caller.submit(body)
        said = {"source": "box_found", "outcome": "part", "part_number": "P-1"}
        assert caller.post(f"/v1/cases/{answer['id']}/confirmations", said).status_code == 201

    report = caller.get(PATH).get_json()

    assert (report["confirmed_shafts"], report["tested"], report["left_out"]) == (4, 2, 0)
    lift, base_circle = report["items"]
    assert (lift["feature"], lift["part_number"], lift["lobe"]) == ("lobe_lift", "P-1", "intake")
    assert (lift["verdict"], lift["printed"], lift["shafts"], lift["above"]) == ("likely_wrong", "0.3130", 4, 4)
    assert 0.0050 < float(lift["difference"]) < 0.0063
    assert 0 < float(lift["standard_uncertainty"]) < 0.001
    assert {one["measured"] for one in lift["evidence"]} == {"0.3180", "0.3181", "0.3182", "0.3183"}
    assert (
        lift["evidence"][0]["reference"]
        == caller.get(f"/v1/cases/{lift['evidence'][0]['case']}").get_json()["reference"]
    )
    assert base_circle["verdict"] == "no_sign"
    assert "Benjamini" in report["rule"]
    assert [one["verdict"] for one in caller.get(f"{PATH}?verdict=no_sign").get_json()["items"]] == ["no_sign"]
    in_mm = caller.get(f"{PATH}?unit=mm").get_json()
    assert in_mm["items"][0]["printed"] == "7.950"

    # The same at the terminal.
    environment = {"LOBEDESK_DATABASE_URL": str(own_settings.database_url)}
    told = CliRunner().invoke(main, ["catalogue", "faults"], env=environment)
    assert told.exit_code == 0, told.output
    assert "P-1, intake lift: likely wrong" in told.output
    assert "base circle" not in told.output.split("\n\n")[1]
    everything = CliRunner().invoke(main, ["catalogue", "faults", "--all"], env=environment)
    assert "P-1, intake base circle: no sign of a fault" in everything.output
    as_json = CliRunner().invoke(main, ["catalogue", "faults", "--json"], env=environment)
    assert orjson.loads(as_json.output) == report


def test_where_nothing_is_confirmed_nothing_is_said_of_the_catalogue(desk: tuple[Flask, Caller]) -> None:
    app, caller = desk
    report = caller.get(PATH).get_json()
    assert (report["confirmed_shafts"], report["items"]) == (0, [])
    widget = Caller(app, create_key(app.extensions[EXTENSION].desk.stores, Role.WIDGET, "a store"))
    assert widget.get(PATH).status_code == 403
