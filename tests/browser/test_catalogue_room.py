"""The catalogue's room of the desk page in a real browser: a draft is uploaded, read, published, gone back from."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from flask import Flask
from playwright.sync_api import Page, expect

from service.app import EXTENSION
from service.catalogue_files import read_json
from service.catalogue_files.written import written_csv
from service.domain.access import Role
from service.workflows.keys import create_key
from tests.api.conftest import Caller
from tests.api.test_before_publishing import AFTER, own_app, own_settings  # noqa: F401  fixtures
from tests.browser.conftest import WIDTHS, OpenPage, check_accessible, check_fits, served, sign_in, tab_to
from tests.browser.test_desk_rooms import enter

SHEETS = written_csv(read_json(AFTER))


@pytest.fixture
def own_address(own_app: Flask) -> Iterator[str]:  # noqa: F811
    """An application of the test's own, since it publishes catalogues."""
    with served(own_app) as address:
        yield address


def key_of(app: Flask, role: Role) -> str:
    return create_key(app.extensions[EXTENSION].desk.stores, role, f"the {role}")


def choose(page: Page, folder: Path, sheets: dict[str, str]) -> None:
    """Choose files in the form, and send them by the keyboard."""
    for name, text in sheets.items():
        (folder / name).write_text(text, encoding="utf-8")
    page.get_by_label("Its files").set_input_files([folder / name for name in sheets])
    tab_to(page, page.get_by_role("button", name="Look at it"))
    page.keyboard.press("Enter")


def test_an_owner_reads_a_draft_publishes_it_and_goes_back(
    new_page: OpenPage,
    own_app: Flask,  # noqa: F811
    own_address: str,
    tmp_path: Path,
) -> None:
    key = key_of(own_app, Role.ADMIN)
    owner = Caller(own_app, key)
    sizes = ("0.7498", "1.1615", "0.8610")
    features = [{"feature": "journal_diameter", "position": "front"}, {"feature": "lobe_height", "lobe": "intake"}]
    readings = [
        of | {"values": [size]}
        for of, size in zip([*features, {"feature": "base_circle", "lobe": "intake"}], sizes, strict=True)
    ]
    case = owner.submit({"source": "phone", "unit": "in", "instrument": "outside_micrometer", "readings": readings})
    assert case["candidates"][0]["part_number"] == "A-2"

    page = new_page()
    sign_in(page, key, own_address)
    enter(page, "Catalogue")
    expect(page.get_by_role("row").filter(has_text="active")).to_contain_text("invented")
    check_accessible(page, "the catalogue")
    choose(page, tmp_path, SHEETS)
    expect(page.get_by_role("heading", name="Draft: cores.csv, parts.csv")).to_be_visible()
    summary = page.get_by_role("region", name="What publishing would do")
    expect(summary).to_contain_text("1 new, 1 gone")
    stranded = page.get_by_role("region", name="Parts that vanish while open cases point to them")
    expect(stranded.get_by_role("listitem")).to_contain_text("A-2: case")
    expect(page.get_by_role("region", name="What becomes another")).to_contain_text("part A-4 added")
    expect(page.get_by_role("region", name="Parts that no kit can tell apart")).to_contain_text("A-3 / A-4")
    for plot in ("Lifts by core", "Journals by core", "Look-alikes"):
        if plot != "Lifts by core":
            page.locator("summary", has_text=plot).click()
        expect(page.locator(f"svg:has(title:text-is('{plot}'))")).to_be_visible()
    check_accessible(page, "a draft")
    check_fits(page, *WIDTHS)

    page.get_by_label("Why").fill("The spring list")
    page.keyboard.press("Enter")
    row = page.get_by_role("row").filter(has_text="active")
    expect(row).to_contain_text("The spring list")
    expect(page.get_by_role("heading", name="Drafts")).to_have_count(0)

    page.get_by_role("link", name="1", exact=True).click()
    expect(page.get_by_role("heading", name="Catalogue revision 1")).to_be_visible()
    expect(page.get_by_role("button", name="Go back to revision 1")).to_be_visible()
    check_accessible(page, "going back to a revision")
    page.get_by_label("Why").fill("Sent too early")
    page.keyboard.press("Enter")
    expect(page.get_by_role("row").filter(has_text="active")).to_contain_text("back to revision 1: Sent too early")
    page.get_by_role("link", name="2", exact=True).click()
    expect(page.get_by_role("region", name="What it changed")).to_contain_text("part A-2 removed")


def test_faults_are_shown_by_row_with_the_sheets_as_they_should_be_and_the_draft_is_discarded(
    new_page: OpenPage,
    own_app: Flask,  # noqa: F811
    own_address: str,
    tmp_path: Path,
) -> None:
    page = new_page()
    sign_in(page, key_of(own_app, Role.ADMIN), own_address)
    enter(page, "Catalogue")
    choose(page, tmp_path, SHEETS | {"parts.csv": SHEETS["parts.csv"].replace("0.3400,", "o.3400,", 1)})
    expect(page.locator(".slip")).to_contain_text("1 thing is wrong")
    row = page.get_by_role("region", name="Faults").get_by_role("row").nth(1)
    expect(row).to_contain_text("parts.csv")
    expect(row).to_contain_text("o.3400")
    check_accessible(page, "a draft with faults")
    check_fits(page, *WIDTHS)
    with page.expect_download() as download:
        page.get_by_role("button", name="Save parts.csv").click()
    assert "o.3400" in Path(download.value.path()).read_text()
    expect(page.get_by_role("button", name="Publish")).to_have_count(0)
    page.get_by_role("button", name="Discard the draft").click()
    page.get_by_role("button", name="Discard it for good").click()
    expect(page.get_by_role("heading", name="Revisions")).to_be_visible()
    expect(page.get_by_role("heading", name="Drafts")).to_have_count(0)


def test_the_desk_reads_the_revisions_and_is_told_who_may_change_them(desk_page: Page) -> None:
    enter(desk_page, "Catalogue")
    expect(desk_page.get_by_text("with an admin key")).to_be_visible()
    expect(desk_page.get_by_role("row").filter(has_text="active")).to_be_visible()
    expect(desk_page.get_by_label("Its files")).to_have_count(0)
    check_accessible(desk_page, "the catalogue, for the desk")
