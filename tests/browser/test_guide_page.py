"""The measuring guide in a real browser."""

from __future__ import annotations

from playwright.sync_api import expect

from tests.browser.conftest import TELEPHONE, WIDTHS, OpenPage, check_accessible, check_fits


def test_the_guide_can_be_read_on_a_telephone(new_page: OpenPage) -> None:
    page = new_page(TELEPHONE)
    page.goto("/guide/")
    expect(page.get_by_role("heading", name="Lobe height")).to_be_visible()
    expect(page.get_by_role("img", name="The jaws close on nose and heel")).to_be_visible()
    expect(page.locator("#cautions-title")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    papers = page.get_by_role("link", name="Right-angle card and paper protractor").get_attribute("href")
    printed = page.request.get(papers or "")
    assert printed.headers["content-type"] == "application/pdf"
    check_accessible(page, "the guide")


def test_the_guide_and_the_widget_s_page_need_not_be_pushed_sideways_at_twice_the_size(new_page: OpenPage) -> None:
    page = new_page()
    for path in ("/guide/", "/widget/"):
        page.goto(path, wait_until="networkidle")
        check_fits(page, *WIDTHS)


def test_the_first_page_names_the_rooms_to_a_browser_and_nothing_to_a_program(new_page: OpenPage) -> None:
    page = new_page(TELEPHONE)
    page.goto("/")
    check_accessible(page, "the first page")
    check_fits(page, *WIDTHS)
    for name, heading in (("Desk", "Camshaft desk"), ("Measuring guide", "How to measure a camshaft")):
        page.goto("/")
        page.get_by_role("link", name=name).click()
        expect(page.get_by_role("heading", name=heading)).to_be_visible()
    for accepts in ("*/*", "application/json"):
        answer = page.request.get("/", headers={"Accept": accepts})
        assert answer.status == 404
        assert answer.json()["code"] == "not_found"


def test_a_link_leads_to_its_reading(new_page: OpenPage) -> None:
    page = new_page()
    page.goto("/guide/#gear_teeth")
    expect(page.locator("#gear_teeth h2")).to_be_in_viewport()
