"""A real browser on the real application: the pages over HTTP, with the run's Postgres and Redis behind them.

`deploy/test tests/browser --pictures=FOLDER` makes a picture of every state that is looked at.
"""

from __future__ import annotations

import re
import shutil
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from flask import Flask
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect, sync_playwright
from werkzeug.serving import WSGIRequestHandler, make_server

from service.domain.access import Role
from tests.api.conftest import (  # noqa: F401  fixtures
    api_settings,
    app,
    database,
    desk,
    keys,
    nobody,
    other_widget,
    plain_logs,
    sample,
    scant,
    widget,
)

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
QUIET = (
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-gpu",
    "--disable-quic",
    "--disable-sync",
    "--no-first-run",
)
RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    "resultTypes": ["violations"],  # what passes need not be listed, which takes half the time
}
DESKTOP, TABLET, TELEPHONE = (1280, 900), (820, 1180), (360, 740)
WIDTHS = (DESKTOP[0], TABLET[0], DESKTOP[0] // 2, DESKTOP[0] // 4)
"""A desk, a tablet, and a desk's page made twice and four times as large: 1280 pixels at 400 % are 320."""


pictures: Path | None = None
"""Where pictures of the states go, if they are wanted."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """Take `--pictures` where the browser's tests are named on the command line."""
    parser.addoption("--pictures", type=Path, help="folder for a picture of every state of the pages")


def pytest_configure(config: pytest.Config) -> None:
    """Note where pictures go."""
    global pictures
    pictures = config.getoption("--pictures", None)


class _SilentHandler(WSGIRequestHandler):
    def log(self, type: str, message: str, *args: Any) -> None:
        """Nothing: the service logs its own requests."""


@contextmanager
def served(app: Flask) -> Iterator[str]:  # noqa: F811
    """Where an application is served meanwhile."""
    server = make_server("127.0.0.1", 0, app, threaded=True, request_handler=_SilentHandler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.port}"
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture(scope="session")
def address(app: Flask) -> Iterator[str]:  # noqa: F811
    """Where the application is served."""
    with served(app) as address:
        yield address


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """The system's Chromium, or the one Playwright has fetched; without either, these tests fail.

    One a module: Playwright keeps an event loop running in this thread, in which no other test could start its own.
    """
    found = next(filter(None, map(shutil.which, BROWSERS)), None)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, chromium_sandbox=False, args=list(QUIET))
        yield browser
        browser.close()


OpenPage = Callable[..., Page]


@pytest.fixture
def new_page(browser: Browser, address: str) -> Iterator[OpenPage]:
    """Opens pages of a size, each with a store of its own; a page that throws, or breaks its policy, fails the test."""
    contexts: list[BrowserContext] = []
    complaints: list[str] = []

    def make(size: tuple[int, int] = DESKTOP, **options: Any) -> Page:
        width, height = size
        options.setdefault("reduced_motion", "reduce")
        context = browser.new_context(base_url=address, viewport={"width": width, "height": height}, **options)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(15_000)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("console", lambda said: complaints.append(said.text) if "Content Security" in said.text else None)
        return page

    yield make
    for context in contexts:
        context.close()
    assert complaints == []


@pytest.fixture
def desk_page(new_page: OpenPage, keys: dict[Role, str]) -> Page:  # noqa: F811
    """The desk page, signed in with a desk key by keyboard."""
    page = new_page()
    sign_in(page, keys[Role.DESK])
    return page


def sign_in(page: Page, key: str, address: str = "") -> None:
    """Through the door of the desk page, the session's application's or the one at an address."""
    page.goto(f"{address}/desk/")
    page.get_by_label("Key", exact=True).fill(key)
    page.get_by_label("Your name").fill("P. Marl")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Call").wait_for()


def tab_to(page: Page, target: Locator) -> None:
    """Bring the focus there as somebody without a mouse does; the focus must be seen wherever it stands."""
    for _ in range(120):
        if target.evaluate("it => it === document.activeElement"):
            expect(target).to_have_css("outline-style", "solid")
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"the Tab key does not lead to {target}")


def check_fits(page: Page, *widths: int) -> None:
    """Nothing has to be pushed sideways at any of these widths (WCAG 2.2, 1.4.10); the size is as before afterwards."""
    size = page.viewport_size
    assert size is not None
    for width in widths:
        page.set_viewport_size({"width": width, "height": 700})
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), f"{width} wide: {page.url}"
    page.set_viewport_size(size)


def make_picture(page: Page, what: str) -> None:
    """A picture of the page's present state, if pictures are wanted."""
    if pictures is not None:
        pictures.mkdir(parents=True, exist_ok=True)
        page.screenshot(path=pictures / f"{re.sub('[^a-z0-9]+', '-', what.lower()).strip('-')}.png", full_page=True)


def check_accessible(page: Page, what: str) -> None:
    """No violation of WCAG 2.2 A and AA, or of axe's best practice, in the page's present state."""
    make_picture(page, what)
    results = Axe().run(page, options=RULES)
    assert results.violations_count == 0, f"{what}:\n{results.generate_report()}"
