"""A catalogue looked at before it is published: over HTTP, as a page, and at the terminal."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

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
from tests.catalogues import catalogue, part, plain_lobe

PATH = "/v1/catalogue/drafts"


def grind(number: str, lift: str) -> dict[str, Any]:
    lobes = {"intake": plain_lobe(lift), "exhaust": plain_lobe(lift)}
    return {"part_number": number, "core": "C1", "lobes": lobes, "units_sold": 100}


BEFORE = catalogue(parts=[grind("A-1", "0.3000"), grind("A-2", "0.3005"), grind("A-3", "0.3400")])
AFTER = catalogue(parts=[grind("A-1", "0.3000"), grind("A-3", "0.3400"), grind("A-4", "0.3405")])


@pytest.fixture
def own_settings(new_database: Any, api_settings: Settings) -> Iterator[Settings]:
    """Settings for a database with three grinds, of which two look alike."""
    with new_database() as conninfo:
        with open_pool(conninfo) as pool:
            import_catalogue(PostgresStores(pool), read_json(BEFORE), who="tests", why="invented")
        yield replace(api_settings, database_url=as_url(conninfo))


@pytest.fixture
def own_app(own_settings: Settings) -> Iterator[Flask]:
    app = create_app(own_settings)
    yield app
    close_app(app)


@pytest.fixture
def owner(own_app: Flask) -> Caller:
    return Caller(own_app, create_key(own_app.extensions[EXTENSION].desk.stores, Role.ADMIN, "the owner"))


def test_the_owner_is_told_what_publishing_would_do_and_nothing_is_done(owner: Caller) -> None:
    case = owner.submit(
        {
            "source": "phone",
            "unit": "in",
            "instrument": "outside_micrometer",
            "readings": [
                {"feature": "journal_diameter", "position": "front", "values": ["0.7498"]},
                *({"feature": "lobe_height", "lobe": kind, "values": ["1.1615"]} for kind in ("intake", "exhaust")),
                *({"feature": "base_circle", "lobe": kind, "values": ["0.8610"]} for kind in ("intake", "exhaust")),
            ],
        }
    )
    assert case["candidates"][0]["part_number"] == "A-2"

    draft = owner.post(PATH, AFTER).get_json()

    assert draft["against"] == 1
    assert draft["counts"]["part"] == {"added": 1, "removed": 1, "changed": 0}
    assert draft["changes"] == ["part A-4 added", "part A-2 removed"]

    def pairs(name: str) -> list[tuple[str, str]]:
        return [(one["part_number"], one["other"]) for one in draft[name]]

    assert pairs("look_alikes_created") == pairs("untellable") == [("A-3", "A-4")]
    assert pairs("look_alikes_removed") == [("A-1", "A-2")]
    assert draft["vanished"] == 1
    reference = owner.get(f"/v1/cases/{case['id']}").get_json()["reference"]
    assert draft["stranded"] == [{"part_number": "A-2", "case": case["id"], "reference": reference}]
    assert len(owner.get("/v1/catalogue/revisions").get_json()["items"]) == 1

    text = owner.post(f"{PATH}/summary.txt", AFTER)
    assert text.mimetype == "text/plain"
    assert f"A-2, {reference}" in text.get_data(as_text=True)


def test_the_page_shows_drawings_that_say_in_words_what_they_show(owner: Caller) -> None:
    response = owner.post(f"{PATH}/page.html?unit=mm", AFTER)
    assert response.mimetype == "text/html"
    page = response.get_data(as_text=True)
    drawings = [ET.fromstring(found) for found in re.findall("<svg.*?</svg>", page, re.S)]
    space = "{http://www.w3.org/2000/svg}"
    said = [drawing.findtext(f"{space}desc") or "" for drawing in drawings]
    assert [drawing.findtext(f"{space}title") for drawing in drawings] == [
        "Lifts by core", "Journals by core", "Look-alikes",
    ]  # fmt: skip
    assert "Core C1: 7.620 to 8.649." in said[0]
    assert "Core C1: 19.050." in said[1]
    assert "C1: 1 pairs of 2 parts, 1 of them new." in said[2]
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids)) == 6
    assert "<script" not in page
    assert owner.post(PATH, catalogue(parts=[])).status_code == 422


def test_the_same_is_written_from_the_terminal_by_a_dry_run(own_settings: Settings, tmp_path: Path) -> None:
    source = tmp_path / "next.json"
    source.write_text(json.dumps(AFTER))
    environment = {"LOBEDESK_DATABASE_URL": str(own_settings.database_url)}

    def run(*options: str) -> Any:
        return CliRunner().invoke(main, ["catalogue", "import", str(source), *options], env=environment)

    for name in ("summary.html", "summary.json", "summary.txt"):
        told = run("--dry-run", "--summary", str(tmp_path / name))
        assert told.exit_code == 0, told.output
        assert "1 new, 1 gone" in told.output
        assert "nothing was changed" in told.output
    assert "<svg" in (tmp_path / "summary.html").read_text()
    assert json.loads((tmp_path / "summary.json").read_text())["vanished"] == 1
    assert "part A-2 removed" in (tmp_path / "summary.txt").read_text()
    assert run("--summary", str(tmp_path / "late.txt")).exit_code == 2


def test_the_terminal_says_that_nothing_differs(own_settings: Settings, owner: Caller, tmp_path: Path) -> None:
    source = tmp_path / "same.json"
    source.write_text(json.dumps(BEFORE))
    environment = {"LOBEDESK_DATABASE_URL": str(own_settings.database_url)}
    told = CliRunner().invoke(main, ["catalogue", "import", str(source)], env=environment)
    assert told.exit_code == 0, told.output
    assert told.output.endswith("nothing differs from the active revision, 1: no new one was made\n")
    assert len(owner.get("/v1/catalogue/revisions").get_json()["items"]) == 1


def test_a_first_catalogue_is_held_against_nothing(stores: PostgresStores) -> None:
    from service.workflows.catalogue.before_publishing import look_at_draft, summary_of

    draft = look_at_draft(stores, read_json(catalogue(parts=[part()])))
    assert draft.against is None
    assert "no revision is active yet" in summary_of(draft).lines[0]
    assert draft.removed == ()
