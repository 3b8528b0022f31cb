"""How long the desk waits for an answer: from the moment typing has come to rest to the answer on the screen.

A real browser on a real service with the invented catalogue; the cache is empty at first. What is timed is what one
sees: from the request that the page sends when nothing has been typed for its quiet time, to the frame in which the
answer stands. The goal is 150 ms against a local service; nothing here asserts it.

    .venv/bin/python -m tests.benchmarks.first_answer --calls 20
    .venv/bin/python -m tests.benchmarks.first_answer --address http://127.0.0.1:8080 --key KEY
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.error import URLError

import click
from playwright.sync_api import Page, sync_playwright

CHECKOUT = Path(__file__).parents[2]
GOAL_MS = 150
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
SAMPLE = json.loads((CHECKOUT / "fixtures" / "sample_submission.json").read_text(encoding="utf-8"))

WATCH = """
window.waits = [];
const send = window.fetch;
window.fetch = async (...sent) => {
  const from = performance.now();
  const response = await send(...sent);
  if (String(sent[0]).endsWith("/v1/previews")) {
    const read = response.text.bind(response);
    response.text = async () => {
      const text = await read();
      requestAnimationFrame(() => setTimeout(() => window.waits.push(performance.now() - from)));
      return text;
    };
  }
  return response;
};
"""
"""Times each preview until the frame after its answer was drawn has been painted."""


@contextmanager
def local_service() -> Iterator[tuple[str, str]]:
    """(address, desk key) of a service of our own, over stores that are thrown away."""
    with tempfile.TemporaryDirectory(prefix="lobedesk-bench-") as folder:
        environment = os.environ | {"LOBEDESK_DATA": folder, "LOBEDESK_LOG_LEVEL": "warning"}
        lobedesk = [sys.executable, "-m", "service.cli"]

        def run(*words: str) -> str:
            return subprocess.run(
                [*lobedesk, *words], env=environment, cwd=CHECKOUT, check=True, capture_output=True, text=True
            ).stdout

        run("catalogue", "import", "fixtures/catalogue")
        key = run("keys", "create", "--role", "desk", "--name", "benchmark").split()[-1]
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        serving = subprocess.Popen(
            [*lobedesk, "serve", "--port", str(port), "--no-worker"],
            env=environment,
            cwd=CHECKOUT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            _wait_for(f"http://127.0.0.1:{port}/readyz")
            yield f"http://127.0.0.1:{port}", key
        finally:
            serving.terminate()
            serving.wait(60)


def _wait_for(address: str) -> None:
    for _ in range(240):
        try:
            with urllib.request.urlopen(address, timeout=2):
                return
        except (URLError, OSError):
            time.sleep(0.25)
    raise TimeoutError(f"{address} does not answer")


def rows(call: int) -> list[str]:
    """What is typed into the rows of one call: the sample's readings, a little apart from call to call."""
    typed = {(each["feature"], each.get("lobe", each.get("position"))): each["values"] for each in SAMPLE["readings"]}
    order = (
        ("zero_check", None),
        ("journal_diameter", "front"),
        ("lobe_height", "intake"),
        ("base_circle", "intake"),
        ("lobe_height", "exhaust"),
        ("base_circle", "exhaust"),
        ("overall_length", None),
    )
    values = [" ".join(typed[place]) for place in order]
    values[1] = (
        f"0.7500 {0.7495 + 0.0005 * (call % 4):.4f}"  # no call is the one before it: the cache knows only itself
    )
    values[0] = f"{0.0005 * (call // 4 % 4):.4f}"
    return values


def take_call(page: Page, typed: list[str]) -> list[float]:
    """Milliseconds of each answer of one call, typed reading by reading."""
    for number, words in enumerate(typed, 1):
        page.keyboard.type(words)
        page.wait_for_function("number => window.waits.length >= number", arg=number, timeout=30_000)
        page.keyboard.press("Enter")
    return [float(wait) for wait in page.evaluate("window.waits")][: len(typed)]


def show(waits: list[list[float]]) -> None:
    """The table, by how many readings there are."""
    click.echo(f"{'readings':>9}{'median':>9}{'9 in 10':>9}{'most':>9}   ms from rest to answer")
    every = [wait for call in waits for wait in call]
    lines = [(f"{n}", [call[n - 1] for call in waits]) for n in range(1, len(waits[0]) + 1)]
    lines.append(("first", [call[0] for call in waits]))
    lines.append(("all", every))
    for name, some in lines:
        ordered = sorted(some)
        tenth = ordered[min(len(ordered) - 1, int(0.9 * len(ordered)))]
        click.echo(f"{name:>9}{statistics.median(some):9.0f}{tenth:9.0f}{ordered[-1]:9.0f}")
    within = sum(wait <= GOAL_MS for wait in every) / len(every)
    click.echo(f"{100 * within:.0f} % of {len(every)} within the goal of {GOAL_MS} ms")


@click.command()
@click.option("--calls", default=20, show_default=True, type=click.IntRange(1, 1000), help="how many calls are taken")
@click.option("--address", help="a service that runs already; otherwise one is started")
@click.option("--key", help="a desk key of that service")
def main(calls: int, address: str | None, key: str | None) -> None:
    """Time answers at the desk."""
    if address is not None and key is not None:
        show(measured(address, key, calls))
        return
    with local_service() as (ours, its_key):
        show(measured(ours, its_key, calls))


def measured(address: str, key: str, calls: int) -> list[list[float]]:
    """The waits of each call; a call before them all, which warms browser and service, is not among them."""
    found = next(filter(None, map(shutil.which, BROWSERS)), None)
    waits = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, chromium_sandbox=False, args=["--disable-gpu"])
        for call in range(calls + 1):
            context = browser.new_context(base_url=address, viewport={"width": 1280, "height": 900})
            context.add_init_script(WATCH)
            page = context.new_page()
            page.goto("/desk/")
            page.get_by_label("Key", exact=True).fill(key)
            page.keyboard.press("Enter")
            page.get_by_role("heading", name="Call").wait_for()
            waits.append(take_call(page, rows(call)))
            context.close()
        browser.close()
    return waits[1:]


if __name__ == "__main__":
    main()
