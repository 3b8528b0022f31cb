"""The page that a return link leads to: what it shows, what can be added, and what it keeps to itself."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import psycopg
import pytest
from playwright.sync_api import Page, expect

from service.settings import Settings
from service.web.pages.routes import STATIC
from tests.api.conftest import Caller
from tests.browser.conftest import DESKTOP, TELEPHONE, WIDTHS, OpenPage, check_accessible, check_fits, make_picture
from tests.browser.test_widget import WORDS as COMMON
from tests.integration.test_photos import png_of

Json = dict[str, Any]
WORDS: dict[str, Json] = json.loads((STATIC / "return" / "words.json").read_text(encoding="utf-8"))


def way_back(desk: Caller, answer: Json) -> str:
    """The page of a link to a case, made by the desk."""
    page: str = desk.post(f"/v1/submissions/{answer['id']}/links").get_json()["page"]
    return page


def test_a_customer_comes_back_adds_what_is_asked_and_sees_the_answer(
    new_page: OpenPage, widget: Caller, desk: Caller, sample: Json
) -> None:
    lobes = [each for each in sample["readings"] if each["feature"] in ("lobe_height", "base_circle")]
    answer = widget.submit({name: sample[name] for name in ("source", "unit", "instrument")} | {"readings": lobes[:2]})
    page = new_page(TELEPHONE)
    page.goto(way_back(desk, answer))

    expect(page.get_by_role("heading", name="Your camshaft")).to_be_visible()
    expect(page.get_by_text("Your number")).to_contain_text(answer["reference"][:4])
    expect(page.get_by_role("table")).to_contain_text(lobes[0]["values"][0])
    expect(page.locator("figure svg").first).to_be_visible()
    check_accessible(page, "the return page")
    check_fits(page, *WIDTHS, TELEPHONE[0])

    page.get_by_role("button", name="Add the reading").click()
    expect(page.get_by_text("Please write one reading at least.")).to_be_visible()
    page.locator("input.value").first.fill("about an inch")
    page.get_by_role("button", name="Add the reading").click()
    expect(page.get_by_text("Please write a size")).to_be_visible()
    expect(page.locator("input.value").first).to_have_value("about an inch")
    check_accessible(page, "the return page with a fault")

    for reading in lobes[2:]:
        page.get_by_label("Which reading").select_option(label=name_of(reading))
        for place, value in enumerate(reading["values"]):
            page.locator("input.value").nth(place).fill(value)
        page.get_by_role("button", name="Add the reading").click()
        expect(page.get_by_text("Added.")).to_be_visible()
    page.get_by_label("Which reading").select_option(label="Teeth of the gear")
    page.get_by_label("How many").fill(str(sample["counts"]["gear_teeth"]))
    page.get_by_role("button", name="Add the reading").click()
    expect(page.get_by_role("row", name="Teeth of the gear")).to_contain_text("28")
    expect(page.locator("#answer")).to_be_focused()
    kept = desk.get(f"/v1/submissions/{answer['id']}").get_json()
    assert len(kept["submission"]["readings"]) == len(lobes)
    assert kept["round"] == 4
    make_picture(page, "the return page with readings added")


def name_of(reading: Json) -> str:
    words = COMMON["en"]
    filled = {name: words.get(reading.get(name, ""), "") for name in ("lobe", "position")}
    return words[reading["feature"]].format(**filled)


def test_a_person_is_asked_photos_are_sent_and_the_decision_is_read(
    new_page: OpenPage, widget: Caller, desk: Caller, scant: Json, tmp_path: Path
) -> None:
    answer = widget.submit(scant | {"contact": {"email": "quiet@shop.example"}, "note": "poison"})
    page = new_page(TELEPHONE)
    page.goto(way_back(desk, answer))
    page.get_by_text("Ask a person", exact=True).click()
    page.get_by_label("E-mail").fill("another@shop.example")
    check_accessible(page, "the return page, asking a person")
    page.get_by_role("button", name="Send").click()
    expect(page.get_by_text("answers where you first said")).to_be_visible()
    expect(page.get_by_text("Expect an answer by")).to_be_visible()
    expect(page.get_by_text("quiet@shop.example")).to_have_count(0)
    assert "quiet" not in page.content()
    assert "poison" not in page.content()

    photo = tmp_path / "shaft.png"
    photo.write_bytes(png_of(600, 300))
    page.get_by_label("Add photos of the shaft").set_input_files(photo)
    expect(page.get_by_text("shaft.png: sent")).to_be_visible()
    make_picture(page, "the return page with a photo sent")

    overruled = {"outcome": "part", "part_number": "KG8-3J7", "confidence": "likely", "reason": "A photo of the end."}
    assert desk.post(f"/v1/cases/{answer['id']}/overrule", overruled).status_code == 200
    page.reload()
    expect(page.get_by_text("It is KG8-3J7")).to_be_visible()
    expect(page.get_by_text("Likely, but not certain.")).to_be_visible()
    expect(page.get_by_text("A photo of the end.")).to_have_count(0)
    check_accessible(page, "the return page with a decision")


def test_a_slip_is_told_kindly(new_page: OpenPage, widget: Caller, desk: Caller, sample: Json) -> None:
    readings = [dict(each) for each in sample["readings"]]
    height, base = (
        next(i for i, each in enumerate(readings) if each["feature"] == feature and each["lobe"] == "intake")
        for feature in ("lobe_height", "base_circle")
    )
    readings[height]["values"], readings[base]["values"] = readings[base]["values"], readings[height]["values"]
    page = new_page(TELEPHONE)
    page.goto(way_back(desk, widget.submit(sample | {"readings": readings})))

    expect(page.get_by_text("look swapped")).to_be_visible()
    check_accessible(page, "the return page with a slip")


def test_a_link_that_lapsed_or_was_cut_short_says_so_and_what_to_do(
    new_page: OpenPage, widget: Caller, desk: Caller, scant: Json, api_settings: Settings
) -> None:
    answer = widget.submit(scant)
    path = way_back(desk, answer)
    with psycopg.connect(str(api_settings.database_url)) as connection:
        connection.execute(
            "UPDATE return_links SET lapses_at = now() - interval '1 second' WHERE submission_id = %s", [answer["id"]]
        )
    page = new_page(TELEPHONE)
    for each in (path, path[:-3], "/return/", "/return/#%C3%A4"):
        page.goto("about:blank")
        page.goto(each)
        expect(page.get_by_role("heading", name="This link leads nowhere")).to_be_visible()
        expect(page.get_by_text("ask the shop or the desk for a new one")).to_be_visible()
    check_accessible(page, "the return page of a lapsed link")

    page.goto(way_back(desk, answer))  # in the same tab: only what stands behind the # is another
    expect(page.get_by_role("heading", name="Your camshaft")).to_be_visible()


def test_what_is_typed_outlives_a_lost_line(new_page: OpenPage, widget: Caller, desk: Caller, scant: Json) -> None:
    answer = widget.submit(scant)
    page = new_page(TELEPHONE)
    page.goto(way_back(desk, answer))
    page.locator("input.value").first.fill("1.2085")
    page.context.set_offline(True)
    page.get_by_role("button", name="Add the reading").click()
    expect(page.get_by_role("alert")).to_contain_text("cannot be reached")
    expect(page.locator("input.value").first).to_have_value("1.2085")
    page.context.set_offline(False)
    page.get_by_role("button", name="Add the reading").click()
    expect(page.get_by_text("Added.")).to_be_visible()


def test_the_link_s_secret_goes_into_no_address_that_is_asked_for(
    new_page: OpenPage, widget: Caller, desk: Caller, scant: Json
) -> None:
    path = way_back(desk, widget.submit(scant))
    page = new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url + str(request.headers.get("referer", ""))))
    page.goto(path)
    expect(page.get_by_role("heading", name="Your camshaft")).to_be_visible()
    page.wait_for_load_state("networkidle")
    assert len(asked) > 5
    assert not [
        each for each in asked if path.partition("#")[2] in each.partition("#")[0] + each.partition("#")[2][64:]
    ]


@pytest.mark.parametrize("size", [TELEPHONE, DESKTOP])
def test_a_german_customer_reads_german(
    new_page: OpenPage, widget: Caller, desk: Caller, scant: Json, size: tuple[int, int]
) -> None:
    page = new_page(size, locale="de-CH")
    page.goto(way_back(desk, widget.submit(scant)))
    expect(page.get_by_role("heading", name="Ihre Nockenwelle")).to_be_visible()
    expect(page.locator("html")).to_have_attribute("lang", "de")
    check_accessible(page, f"the return page in German {size[0]}")


def test_the_desk_makes_a_link_for_the_customer_and_copies_it(
    desk_page: Page, new_page: OpenPage, desk: Caller, scant: Json
) -> None:
    answer = desk.submit(scant)
    page = desk_page
    page.evaluate("path => { location.hash = path; }", f"#/case/{answer['id']}")
    page.get_by_text("A link for the customer").click()
    page.get_by_role("button", name="Make a link").click()
    address = page.get_by_label("The link").input_value()
    check_accessible(page, "a case with a link for the customer")
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    page.get_by_role("button", name="Copy the link").click()
    expect(page.locator("p[role=status]").last).to_have_text("Link copied.")
    assert page.evaluate("navigator.clipboard.readText()") == address

    customer = new_page(TELEPHONE)
    customer.goto(address)
    expect(customer.get_by_text("Your number")).to_contain_text(answer["reference"][4:])


def test_every_language_has_every_word_of_the_page() -> None:
    english = WORDS["en"]
    script = (STATIC / "return" / "return.js").read_text(encoding="utf-8")
    known = english.keys() | COMMON["en"].keys()
    assert set(re.findall(r'\bsay\("(\w+)"', script)) <= known
    assert not english.keys() & COMMON["en"].keys()
    assert WORDS.keys() == COMMON.keys()
    for language, words in WORDS.items():
        assert words.keys() == english.keys(), language
        for name, text in words.items():
            assert set(re.findall(r"\{\w+\}", text)) == set(re.findall(r"\{\w+\}", english[name])), name
