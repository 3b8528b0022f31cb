"""The widget on a store's page: another origin, a telephone's screen, a customer with a caliper."""

from __future__ import annotations

import gzip
import html
import json
import re
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from playwright.sync_api import Page, expect

from service.app import EXTENSION
from service.domain.access import Role
from service.domain.cautions import CAUTIONS
from service.domain.identification import Slip
from service.web.pages.routes import STATIC
from service.workflows.keys import create_key
from tests.api.conftest import Caller
from tests.browser.conftest import TELEPHONE, OpenPage, check_accessible
from tests.integration.test_photos import png_of, with_a_place

Json = dict[str, Any]
WORDS: dict[str, Json] = json.loads((STATIC / "widget" / "words.json").read_text(encoding="utf-8"))
MOST_BYTES = 40_000


class Store:
    """A store's web site: another origin, with a page that carries one script tag and one element."""

    def __init__(self, service: str) -> None:
        self.service = service
        self.element = ""
        store = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                self.send_response(200)
                self.send_header("Content-Type", "text/html; charset=utf-8")
                policy = f"default-src 'none'; script-src {store.service}; connect-src {store.service}; img-src data:"
                self.send_header("Content-Security-Policy", policy)
                self.end_headers()
                self.wfile.write(store.page().encode())

            def log_message(self, *_: Any) -> None:
                """Nothing."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.origin = f"http://127.0.0.1:{self.server.server_port}"

    def page(self) -> str:
        return (
            '<!doctype html><html lang="en"><meta charset="utf-8">'
            '<meta name="viewport" content="width=device-width, initial-scale=1"><title>Shop</title>'
            f'<script type="module" src="{self.service}/widget/lobedesk-widget.js"></script>'
            f'<link rel="icon" href="data:,"><main><h1>Shop</h1>{self.element}</main>'
        )


@pytest.fixture
def store(address: str) -> Iterator[Store]:
    store = Store(address)
    thread = threading.Thread(target=store.server.serve_forever)
    thread.start()
    yield store
    store.server.shutdown()
    thread.join()
    store.server.server_close()


OpenShop = Callable[..., Page]


@pytest.fixture
def shop(store: Store, app: Flask, new_page: OpenPage) -> OpenShop:
    """Opens the store's page on a telephone; the key is for that store unless `origins` says otherwise."""

    def open_it(language: str = "en", origins: tuple[str, ...] | None = None) -> Page:
        allowed = (store.origin,) if origins is None else origins
        key = create_key(app.extensions[EXTENSION].desk.stores, Role.WIDGET, "a shop", allowed)
        store.element = (
            f'<lobedesk-widget key="{html.escape(key)}" language="{language}" privacy="/privacy"></lobedesk-widget>'
        )
        page = new_page(TELEPHONE)
        page.goto(store.origin)
        return page

    return open_it


def taken_of(sample: Json) -> dict[str, list[str]]:
    """What the customer reads, by the widget's heading."""
    words = WORDS["en"]
    taken = {words["gear_teeth"]: [str(sample["counts"]["gear_teeth"])]}
    for reading in sample["readings"]:
        filled = {name: words.get(reading.get(name, ""), "") for name in ("lobe", "position")}
        taken[words[reading["feature"]].format(**filled)] = reading["values"]
    return taken


def give(page: Page, values: list[str]) -> None:
    fields = page.locator("input.value")
    for place, value in enumerate(values[: fields.count()]):
        fields.nth(place).fill(value)
    page.get_by_role("button", name="Next").click()


def heading_after(page: Page, before: str) -> str:
    """The heading, once it is another one."""
    expect(page.locator("lobedesk-widget h2")).not_to_have_text(before)
    return page.locator("lobedesk-widget h2").inner_text()


def measure(page: Page, taken: dict[str, list[str]], asked: str) -> str:
    """Answer what is asked, as long as a reading is; the heading that comes instead."""
    for _ in range(15):
        if asked in taken:
            give(page, taken[asked])
        elif page.locator("input.value").count():
            page.get_by_role("button", name="I cannot measure this").click()
        else:
            break
        asked = heading_after(page, asked)
    return asked


def test_a_customer_comes_from_nothing_to_an_answer_on_another_site_s_page(shop: OpenShop, sample: Json) -> None:
    page = shop()
    expect(page.get_by_role("heading", name="Which camshaft is it?")).to_be_visible()
    check_accessible(page, "the widget's first screen")
    page.get_by_label("I have done this before").check()
    page.get_by_role("button", name="Begin").click()

    asked = heading_after(page, "Which camshaft is it?")
    expect(page.locator("lobedesk-widget figure svg").first).to_be_visible()
    check_accessible(page, "the widget's question")

    assert measure(page, taken_of(sample), asked) == "It is KG8-3J7"
    expect(page.get_by_text("% sure")).to_be_visible()
    expect(page.get_by_text("qualified engine builder")).to_be_visible()
    check_accessible(page, "the widget's answer")
    page.get_by_role("button", name="Make a link to come back by").click()
    link = page.get_by_role("link", name="/return/#")
    expect(link).to_be_visible()
    check_accessible(page, "the widget's answer with a link")
    page.reload()
    expect(link).to_be_visible()
    with page.context.expect_page() as opened:
        link.click()
    expect(opened.value.get_by_text("It is KG8-3J7")).to_be_visible()
    assert page.context.cookies() == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_who_asks_a_person_after_the_answer_stays_one_case(shop: OpenShop, sample: Json, desk: Caller) -> None:
    page = shop()
    page.get_by_label("I have done this before").check()
    page.get_by_role("button", name="Begin").click()
    assert measure(page, taken_of(sample), heading_after(page, "Which camshaft is it?")) == "It is KG8-3J7"
    number = page.get_by_text("Your number").inner_text()

    page.get_by_role("button", name="Ask a person").click()
    page.get_by_label("E-mail").fill("second.thoughts@shop.example")
    page.get_by_role("button", name="Send").click()

    expect(page.get_by_role("heading", name="Thank you")).to_be_visible()
    assert page.get_by_text("Your number").inner_text() == number
    [case] = desk.get("/v1/cases?email=second.thoughts@shop.example").get_json()["items"]
    assert case["reference"] == re.sub(r"\D", "", number)


def test_a_slip_is_raised_kindly_and_put_right(shop: OpenShop, sample: Json) -> None:
    page = shop()
    page.get_by_role("button", name="Begin").click()
    taken = taken_of(sample)
    height, base = (f"Intake lobe: {name}" for name in ("height", "base circle"))
    taken[height], taken[base] = taken[base], taken[height]
    assert measure(page, taken, heading_after(page, "Which camshaft is it?")) == "Just to be sure"
    expect(page.get_by_text("Is it the base circle")).to_be_visible()  # nothing was said of a base circle yet
    check_accessible(page, "the widget's slip")

    page.get_by_role("button", name="Yes, change it").click()
    asked = heading_after(page, "Just to be sure")
    assert measure(page, taken_of(sample), asked) == "It is KG8-3J7"


def test_a_customer_who_gets_no_further_asks_a_person(shop: OpenShop, desk: Caller, tmp_path: Path) -> None:
    page = shop()
    page.get_by_role("button", name="Begin").click()
    give(page, ["three quarters"])
    expect(page.get_by_text("Please write a size")).to_be_visible()
    give(page, ["0,7500", "0.7495"])
    heading_after(page, "Front journal")
    page.get_by_role("button", name="Ask a person").click()
    expect(page.get_by_text("Expect an answer within 24 hours.")).to_be_visible()
    expect(page.get_by_text("Leave a name, an e-mail address")).to_be_visible()  # the supplier's own notice
    photo, page_of_text = tmp_path / "shaft.jpg", tmp_path / "shaft.txt"
    photo.write_bytes(with_a_place())
    page_of_text.write_text("no photo")
    page.get_by_label("Add photos of the shaft").set_input_files([photo, page_of_text])
    expect(page.get_by_text("shaft.jpg: goes with the rest")).to_be_visible()
    expect(page.get_by_text("shaft.txt: This is no photo")).to_be_visible()
    check_accessible(page, "the widget's hand-over")
    page.get_by_role("button", name="Send").click()
    expect(page.get_by_role("alert")).to_contain_text("e-mail")
    page.get_by_label("E-mail").fill("customer@shop.example")
    page.get_by_label("I would rather send the shaft in").check()
    page.get_by_role("button", name="Send").click()

    expect(page.get_by_role("heading", name="Thank you")).to_be_visible()
    expect(page.get_by_text("Expect an answer by")).to_be_visible()
    expect(page.get_by_text("shaft.jpg: sent")).to_be_visible()
    later = tmp_path / "later.png"
    later.write_bytes(png_of(3000, 1500))
    page.get_by_label("Add photos of the shaft").set_input_files(later)
    expect(page.get_by_text("later.png: sent")).to_be_visible()
    check_accessible(page, "the widget's thanks")
    shown = re.search(r"\d{4}\s\d{4}", page.get_by_text("Your number").inner_text())
    assert shown is not None
    reference = re.sub(r"\s", "", shown[0])
    waiting = desk.get("/v1/reviews?state=waiting&limit=100").get_json()["items"]
    (review,) = [each for each in waiting if each["reference"] == reference]
    kept = desk.get(f"/v1/submissions/{review['submission_id']}").get_json()["submission"]
    assert kept["contact"]["email"] == "customer@shop.example"
    assert kept["readings"][0]["values"] == ["0.7500", "0.7495"]
    assert "send the shaft in" in kept["note"]
    photos = desk.get(f"/v1/submissions/{review['submission_id']}/photos").get_json()["items"]
    assert [(each["width"], each["height"]) for each in photos][1] == (2000, 1000)
    assert b"POISON" not in desk.get(photos[0]["url"]).data


def test_a_lost_line_loses_nothing(shop: OpenShop) -> None:
    page = shop()
    page.get_by_role("button", name="Begin").click()
    page.context.set_offline(True)
    give(page, ["0.7500", "0.7500"])
    expect(page.get_by_text("No connection")).to_be_visible()
    check_accessible(page, "the widget without a line")
    page.context.set_offline(False)
    asked = heading_after(page, "Front journal")

    page.reload()
    expect(page.get_by_role("heading", name=asked)).to_be_visible()
    page.get_by_role("button", name="Change the last reading").click()
    expect(page.locator("input.value").first).to_have_value("0.7500")


def test_a_key_is_good_on_its_own_site_and_on_no_other(shop: OpenShop) -> None:
    page = shop(origins=("https://somebody-else.example",))
    page.get_by_role("button", name="Begin").click()
    give(page, ["0.7500"])

    # the browser keeps the refusal from the page, so the page can only say that it got no answer
    expect(page.get_by_text("No connection")).to_be_visible()


def test_the_widget_speaks_a_second_language(shop: OpenShop) -> None:
    page = shop(language="de-CH")
    expect(page.get_by_role("heading", name="Welche Nockenwelle ist das?")).to_be_visible()
    page.get_by_label("Millimetern").check()
    page.get_by_role("button", name="Anfangen").click()
    page.locator("input.value").first.fill("19,05")
    page.get_by_role("button", name="Weiter").click()
    assert heading_after(page, "Lagerzapfen vorn") != ""
    check_accessible(page, "the widget in German")
    assert page.locator("lobedesk-widget").get_attribute("lang") == "de"


def test_a_german_customer_reads_german_from_a_refusal_to_the_answer(shop: OpenShop, sample: Json) -> None:
    page = shop(language="de")
    page.get_by_label("Ich habe das schon gemacht").check()
    page.get_by_role("button", name="Anfangen").click()
    fields = page.locator("input.value")
    fields.first.fill("123456")
    page.get_by_role("button", name="Weiter").click()
    expect(page.get_by_text("Das kann kein Maß in Zoll sein.")).to_be_visible()
    expect(page.get_by_role("heading", name="Lagerzapfen vorn")).to_be_visible()
    check_accessible(page, "the widget's refusal in German")

    words = WORDS["de"]
    taken = {words["gear_teeth"]: [str(sample["counts"]["gear_teeth"])]}
    for reading in sample["readings"]:
        filled = {name: words.get(reading.get(name, ""), "") for name in ("lobe", "position")}
        taken[words[reading["feature"]].format(**filled)] = [each.replace(".", ",") for each in reading["values"]]
    asked = "Lagerzapfen vorn"
    for _ in range(15):
        if not fields.count():
            break
        for place, value in enumerate(taken.get(asked, [])[: fields.count()]):
            fields.nth(place).fill(value)
        page.get_by_role("button", name="Weiter" if asked in taken else "Das kann ich nicht messen").click()
        asked = heading_after(page, asked)
    assert asked == "Es ist KG8-3J7"
    expect(page.get_by_text(re.compile(r"zu (über )?\d\d,\d % sicher"))).to_be_visible()
    check_accessible(page, "the widget's answer in German")
    page.get_by_role("button", name="Einen Menschen fragen").click()
    expect(page.get_by_text("Geben Sie Name, E-Mail-Adresse")).to_be_visible()
    expect(page.get_by_text("innerhalb von 24 Stunden")).to_be_visible()
    check_accessible(page, "the widget's hand-over in German")


def test_the_host_page_shows_the_widget_and_the_lines_to_copy(
    new_page: OpenPage, keys: dict[Role, str], address: str
) -> None:
    page = new_page()
    page.goto("/widget/")
    expect(page.locator("#snippet")).to_contain_text(f"{address}/widget/lobedesk-widget.js")
    check_accessible(page, "the host page")
    page.get_by_label("Widget key").fill(keys[Role.WIDGET])
    page.get_by_role("button", name="Show the widget").click()
    page.get_by_role("button", name="Begin").click()
    give(page, ["0.7500"])
    heading_after(page, "Front journal")
    check_accessible(page, "the host page with the widget")


def test_every_language_has_every_word_and_the_same_places_to_fill() -> None:
    english = WORDS["en"]
    assert english["cautions"] == list(CAUTIONS)
    used = "".join(path.read_text(encoding="utf-8") for path in (STATIC / "widget").glob("*.js"))
    assert set(re.findall(r'#say\("(\w+)"', used)) | set(re.findall(r'"(refused_\w+)"', used)) <= english.keys()
    assert {slip for slip in Slip if f"slip_{slip}" in english} >= {Slip.DIGITS_SWAPPED, Slip.HEIGHT_BASE_SWAPPED}
    for language, words in WORDS.items():
        assert words.keys() == english.keys(), language
        assert len(words["cautions"]) == len(CAUTIONS)
        for name, text in words.items():
            assert text
            assert set(re.findall(r"\{\w+\}", str(text))) == set(re.findall(r"\{\w+\}", str(english[name]))), name


def test_the_widget_is_small_and_takes_nothing_from_elsewhere() -> None:
    files = {STATIC / "widget" / "lobedesk-widget.js"}
    for _ in range(3):
        for path in list(files):
            named = re.findall(r'^import .* from "(\..*)";$', path.read_text(encoding="utf-8"), re.MULTILINE)
            files |= {(path.parent / name).resolve() for name in named}
    files.add(STATIC / "widget" / "words.json")
    assert len(files) >= 6
    assert sum(len(gzip.compress(Path(path).read_bytes())) for path in files) < MOST_BYTES
    for path in files:
        for address in re.findall(r"https?://[^\s\"'`)]+", path.read_text(encoding="utf-8")):
            assert address in ("https://…", "http://www.w3.org/2000/svg", "http://www.w3.org/1998/Math/MathML"), path
