"""What the desk page sent and got no answer to, sent again: it is kept once, after a reload too."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, Route, expect

from tests.api.conftest import Caller
from tests.browser.test_desk_rooms import bench_file, enter
from tests.integration.test_photos import png_of

Json = dict[str, Any]


@contextmanager
def replies_lost(page: Page, path: str) -> Iterator[None]:
    """Inside, what is sent to `path` arrives and its answer does not."""

    def lose(route: Route) -> None:
        if route.request.method == "GET":
            route.continue_()
            return
        route.fetch()
        route.abort()

    page.route(path, lose)
    yield
    expect(page.locator("main").get_by_role("alert").first).to_contain_text("No connection")
    page.unroute(path)


def go_to(page: Page, place: str) -> None:
    page.evaluate("path => { location.hash = path; }", place)


def test_a_note_is_written_once(desk_page: Page, desk: Caller, sample: Json) -> None:
    case = desk.submit(sample)
    page = desk_page
    go_to(page, f"#/case/{case['id']}")

    def write() -> None:
        page.get_by_label("Note for the desk").fill("Calls again at four.")
        page.get_by_role("button", name="Write it down").click()

    def notes() -> list[str]:
        return [note["text"] for note in desk.get(f"/v1/cases/{case['id']}").get_json()["notes"]]

    with replies_lost(page, "**/notes"):
        write()
    page.reload()
    write()
    expect(page.get_by_label("Note for the desk")).to_have_value("")
    assert notes() == ["Calls again at four."]

    # What was answered and is written again is another note.
    write()
    expect(page.get_by_label("Note for the desk")).to_have_value("")
    assert notes() == ["Calls again at four."] * 2


def test_a_bench_table_is_kept_once_and_said_to_be_kept_where_its_plots_are_lost(
    desk_page: Page, desk: Caller, tmp_path: Path
) -> None:
    shaft = desk.post("/v1/mail-ins", {}).get_json()
    desk.post(f"/v1/mail-ins/{shaft['id']}/events", {"kind": "received", "place": "bench 1"})
    page = desk_page
    go_to(page, f"#/bench/{shaft['id']}")
    page.get_by_label("File").first.set_input_files(bench_file(tmp_path))
    for field in page.get_by_label("Base circle, measured").all():
        field.fill("0.8610")
    work_it_out = page.get_by_role("button", name="Work it out")

    with replies_lost(page, "**/v1/lift-tables"):
        work_it_out.click()
    page.reload()
    expect(page.get_by_label(f"Keep them with shaft {shaft['spoken']}")).to_be_checked()
    with replies_lost(page, "**/plot.svg"):
        work_it_out.click()
    expect(page.get_by_text(f"Kept with shaft {shaft['spoken']}.")).to_be_visible()
    expect(page.get_by_role("heading", name="By the tables alone")).to_be_visible()
    work_it_out.click()
    expect(page.locator("main").get_by_role("alert")).to_have_count(0)

    assert len(desk.get(f"/v1/mail-ins/{shaft['id']}").get_json()["lift_tables"]) == 1


def test_an_instrument_and_its_calibration_are_kept_once(desk_page: Page, desk: Caller) -> None:
    page = desk_page
    enter(page, "Bench")

    def keep(*, calibrated: bool) -> None:
        page.get_by_text("Instruments", exact=True).click()
        if calibrated:
            row.get_by_role("button", name="Calibrated").click()
            page.get_by_label("Calibrated on").fill("2025-03-02")
            page.get_by_label("Next due").fill("2095-03-02")
            page.get_by_label("Calibrated by").fill("an invented laboratory")
            page.get_by_role("button", name="Record it").click()
        else:
            page.get_by_label("Name", exact=True).fill("M-once")
            page.get_by_label("Resolution").fill("0.0001")
            page.get_by_role("button", name="Keep it").click()

    row = page.get_by_role("row").filter(has_text="M-once")
    for path, calibrated in (("**/v1/bench/instruments", False), ("**/calibrations", True)):
        with replies_lost(page, path):
            keep(calibrated=calibrated)
        page.reload()
        keep(calibrated=calibrated)
        expect(row).to_have_count(1)
        expect(page.locator("main").get_by_role("alert")).to_have_count(0)
        page.reload()
    kept = [
        each for each in desk.get("/v1/bench/instruments?limit=100").get_json()["items"] if each["name"] == "M-once"
    ]
    (instrument,) = kept
    history = desk.get(f"/v1/bench/instruments/{instrument['id']}").get_json()
    assert len(history["calibrations"]) == 1


def test_a_claimed_review_is_not_lost_with_its_reply(desk_page: Page, desk: Caller, sample: Json) -> None:
    case = desk.submit(sample | {"ask_person": True})
    page = desk_page
    enter(page, "Queue")
    row = page.get_by_role("row").filter(has_text=case["reference"])
    page.route("**/claim", lambda route: (route.fetch(), route.abort()))
    row.get_by_role("button", name="Take").click()
    expect(page.get_by_text("No connection")).to_be_visible()
    page.unroute("**/claim")
    row.get_by_role("button", name="Take").click()
    expect(page.get_by_role("heading", name=f"Case {case['reference']}")).to_be_visible()


def test_a_photo_is_added_once(desk_page: Page, desk: Caller, sample: Json, tmp_path: Path) -> None:
    case = desk.submit(sample)
    page = desk_page
    photo = tmp_path / "gear.png"
    photo.write_bytes(png_of(8, 8))
    go_to(page, f"#/case/{case['id']}")
    with replies_lost(page, "**/photos"):
        page.get_by_label("Add a photo").set_input_files(photo)
    page.get_by_label("Add a photo").set_input_files(photo)
    expect(page.get_by_role("img", name="Photo 1")).to_be_visible()
    expect(page.locator("main").get_by_role("alert")).to_have_count(0)
    assert len(desk.get(f"/v1/submissions/{case['id']}/photos").get_json()["items"]) == 1
