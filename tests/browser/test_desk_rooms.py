"""The desk page's other rooms in a real browser: finding a case, shafts by post, the bench, look-alikes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, Route, expect

from service.app import close_app, create_app
from service.domain.access import Role
from service.settings import Settings
from service.web.api.lift_tables.examples import LIFT_TABLE_EXAMPLES
from tests.api.conftest import Caller
from tests.browser.conftest import WIDTHS, OpenPage, check_accessible, check_fits, make_picture, served, sign_in
from tests.integration.test_photos import png_of

Json = dict[str, Any]

ROOMS = ("Call", "Queue", "Find", "Shafts", "Bench", "Look-alikes", "Changed answers", "Catalogue")


def enter(page: Page, room: str) -> None:
    """Through the navigation to a room."""
    page.get_by_role("navigation", name="Desk").get_by_role("link", name=room, exact=True).click()


def test_the_letter_is_mailed_from_the_case_and_seen_to_go(
    new_page: OpenPage, api_settings: Settings, keys: dict[Role, str], desk: Caller, scant: Json
) -> None:
    case = desk.submit(scant | {"contact": {"email": "caller@post.example"}})
    app = create_app(replace(api_settings, smtp_url="smtp://127.0.0.1:9"))
    with served(app) as address:
        page = new_page()
        sign_in(page, keys[Role.DESK], address)
        page.goto(f"{address}/desk/#/case/{case['id']}")
        page.get_by_text("Mail the letter").click()
        expect(page.get_by_label("To", exact=True)).to_have_value("caller@post.example")
        check_accessible(page, "a letter about to be mailed")
        page.get_by_role("button", name="Send it").click()
        expect(page.locator(".timeline")).to_contain_text("To caller@post.example: on its way")
    close_app(app)
    [letter] = desk.get(f"/v1/submissions/{case['id']}/letters").get_json()["items"]
    assert [message["recipient"] for message in letter["messages"]] == ["caller@post.example"]


def test_where_no_mail_leaves_the_desk_says_so_beside_the_letter(desk_page: Page, desk: Caller, scant: Json) -> None:
    case = desk.submit(scant)
    page = desk_page
    page.goto(f"/desk/#/case/{case['id']}")
    page.get_by_text("Mail the letter").click()
    page.get_by_label("To", exact=True).fill("caller@post.example")
    page.get_by_role("button", name="Send it").click()
    expect(page.get_by_role("alert")).to_contain_text("No mail server is set up here.")
    expect(page.get_by_label("To", exact=True)).to_have_value("caller@post.example")


def test_a_case_on_paper_has_nothing_to_press(desk_page: Page, desk: Caller, sample: Json) -> None:
    case = desk.submit(sample)
    page = desk_page
    page.goto(f"/desk/#/case/{case['id']}")
    expect(page.get_by_role("heading", name=f"Case {case['reference']}")).to_be_visible()
    page.emulate_media(media="print")
    for gone in ("nav", "button", "textarea", "input"):
        assert [each for each in page.locator(gone).all() if each.is_visible()] == []
    expect(page.get_by_role("cell", name="1.2085 1.2090")).to_be_visible()
    expect(page.get_by_text("qualified engine builder")).to_be_visible()
    make_picture(page, "a case on paper")


def test_a_case_is_found_by_what_the_caller_knows_and_gone_on_with(
    desk_page: Page, desk: Caller, widget: Caller, sample: Json
) -> None:
    whole = list(sample["readings"])
    contact = {"name": "Ada Quill", "email": "ada.quill@post.example"}
    case = desk.submit(sample | {"readings": whole[:3], "counts": {}, "contact": contact})
    photo = {"data": png_of(640, 400), "content_type": "image/png"}
    assert desk.send("POST", f"/v1/submissions/{case['id']}/photos", **photo).status_code == 201
    page = desk_page
    enter(page, "Find")
    page.get_by_label("Name").fill("qui")
    page.keyboard.press("Enter")
    row = page.get_by_role("row").filter(has_text=case["reference"])
    expect(row).to_contain_text("Ada Quill")
    check_accessible(page, "finding a case")

    row.get_by_role("link").click()
    expect(page.get_by_role("heading", name=f"Case {case['reference']}")).to_be_visible()
    expect(page.get_by_alt_text("Photo 1")).to_have_js_property("complete", value=True)
    assert page.get_by_alt_text("Photo 1").evaluate("it => it.naturalWidth") == 640
    page.get_by_label("Note for the desk").fill("Calls again at four.")
    page.get_by_role("button", name="Write it down").click()
    expect(page.locator(".timeline")).to_contain_text("Calls again at four.")
    check_accessible(page, "a case")

    page.keyboard.press("F2")
    expect(page.get_by_role("heading", name="Call")).to_contain_text(case["reference"])
    front = " ".join(whole[1]["values"])
    expect(page.get_by_label("Front journal", exact=True)).to_have_value(front)
    page.get_by_label("Intake lobe height", exact=True).fill("1.2085")
    expect(page.locator(".verdict")).to_be_visible()
    page.keyboard.press("F9")
    expect(page.get_by_role("button", name="Kept")).to_be_visible()
    kept = desk.get(f"/v1/submissions/{case['id']}").get_json()
    assert len(kept["submission"]["readings"]) == 4
    assert kept["round"] == 2

    enter(page, "Find")
    page.get_by_label("Reference").fill("1234 5678")
    page.get_by_role("button", name="Find").click()
    expect(page.locator("main [role=alert], .first-hint")).to_be_visible()


def test_an_answer_is_overruled_and_the_case_closed_and_opened_again(
    desk_page: Page, desk: Caller, sample: Json
) -> None:
    case = desk.submit(sample)
    page = desk_page
    page.evaluate("path => { location.hash = path; }", f"#/case/{case['id']}")
    change = page.get_by_text("Change this case")
    change.click()
    page.get_by_label("Part number", exact=True).fill("no such part")
    page.get_by_label("Why").fill("The box was in the van.")
    page.get_by_role("button", name="Do it").click()
    expect(page.locator("main").get_by_role("alert")).to_be_visible()
    page.get_by_label("Part number", exact=True).fill("DFH-7WT")
    check_accessible(page, "changing a case")
    slow: list[Route] = []
    page.route("**/photos", lambda route: slow.append(route))
    page.get_by_role("button", name="Do it").click()
    timeline = page.locator(".timeline")
    expect(timeline).to_contain_text("decided: DFH-7WT, sure")
    expect(page.get_by_role("heading", name="A person decided: DFH-7WT")).to_be_visible()
    expect(page.get_by_label("What to do")).to_have_value("overrule")
    expect(page.get_by_label("Why")).to_have_value("")

    # the next change is typed while the last one's photos are still on their way, and stays
    page.get_by_label("What to do").select_option(label="Close it")
    page.get_by_label("Why").fill("Told on the telephone.")
    with page.expect_response("**/photos"):
        for each in slow:
            each.continue_()
    page.unroute("**/photos")
    page.get_by_role("button", name="Do it").click()
    expect(page.locator("main")).to_contain_text("closed")
    expect(page.get_by_role("button", name="Go on with the call")).to_have_count(0)
    page.get_by_label("Why").fill("Calls again.")
    page.get_by_role("button", name="Do it").click()
    expect(page.get_by_role("link", name="Its review")).to_be_visible()
    kept = desk.get(f"/v1/submissions/{case['id']}").get_json()
    assert kept["review"]["state"] == "waiting"
    assert kept["closed_at"] is None


def test_a_posted_shaft_is_announced_received_measured_and_followed(desk_page: Page, tmp_path: Path) -> None:
    page = desk_page
    enter(page, "Shafts")
    page.get_by_text("Announce a shaft").click()
    page.get_by_label("Name").fill("Ada Quill")
    page.get_by_label("Goes back to").fill("Ada Quill\n3 Invented Lane")
    expect(page.get_by_text("Read out:")).to_be_visible()
    check_accessible(page, "the shafts")
    page.get_by_role("button", name="Announce it").click()
    expect(page.get_by_role("heading", name="Shaft M")).to_be_visible()
    with page.expect_download() as download:
        page.get_by_role("button", name="Packing slip").click()
    assert Path(download.value.path()).read_bytes().startswith(b"%PDF-")

    page.get_by_label("Where it lies now").fill("goods in, shelf 2")
    page.get_by_label("worn", exact=True).check()
    page.get_by_role("button", name="Record it").click()
    timeline = page.locator(".timeline")
    expect(timeline).to_contain_text("Received by P. Marl, goods in, shelf 2")
    expect(timeline).to_contain_text("Looked worn.")

    picture = tmp_path / "shaft.png"
    picture.write_bytes(png_of(320, 200))
    page.get_by_label("Add a photo").set_input_files(picture)
    expect(page.get_by_alt_text("Photo 1")).to_be_visible()

    page.get_by_label("What happens now").select_option(label="Measured here")
    page.get_by_label("Front journal").fill("0.7498")
    page.get_by_label("Intake lobe height").fill("1.2089 1.2090")
    page.get_by_label("Intake base circle").fill("0.8611")
    page.get_by_role("button", name="Record it").click()
    expect(timeline).to_contain_text("Measured by P. Marl")
    expect(page.get_by_role("link", name="Its case")).to_be_visible()
    check_accessible(page, "a shaft")

    page.get_by_role("button", name="Record it").click()  # what comes next is already chosen: the report
    expect(timeline).to_contain_text("Reported by P. Marl")
    page.get_by_role("link", name="Its case").click()
    expect(page.get_by_role("heading", name="Case")).to_be_visible()
    with page.expect_download() as download:
        page.get_by_role("button", name="Letter (PDF)").click()
    assert Path(download.value.path()).read_bytes().startswith(b"%PDF-")


def test_a_bench_table_is_uploaded_worked_out_and_plotted(desk_page: Page, tmp_path: Path) -> None:
    page = desk_page
    tables = {
        each["lobe"]: dict(map(tuple, each["table"])) for each in LIFT_TABLE_EXAMPLES["a_bench"]["value"]["lobes"]
    }
    file = bench_file(tmp_path)
    enter(page, "Bench")
    page.get_by_label("File").first.set_input_files(file)
    expect(page.get_by_label("Exhaust table")).to_have_value(f"angle,lift\n{chr(10).join(column(tables['exhaust']))}")
    for field in page.get_by_label("Base circle, measured").all():
        field.fill("0.8610")
    page.keyboard.press("F2")
    expect(page.get_by_role("heading", name="By the tables alone")).to_be_visible()
    expect(page.get_by_text("once-per-turn wave").first).to_be_visible()
    expect(page.locator(".chart svg")).to_be_visible()
    expect(page.get_by_text(re.compile(r"Lobe separation 10(8\.0|7\.99)"))).to_be_visible()
    check_accessible(page, "the bench")

    page.get_by_label("Intake table").fill("angle,lift\n0,0.0\n2,0.1")
    page.keyboard.press("F2")
    expect(page.locator("main").get_by_role("alert")).to_be_visible()
    expect(page.get_by_label("Intake table")).to_have_attribute("aria-invalid", "true")
    check_accessible(page, "the bench with a fault")
    page.reload()
    expect(page.get_by_label("Intake table")).to_have_value("angle,lift\n0,0.0\n2,0.1")


def test_an_instrument_is_kept_used_late_and_said_to_be_late_in_the_timeline(desk_page: Page, desk: Caller) -> None:
    page = desk_page
    enter(page, "Bench")
    page.get_by_text("Instruments", exact=True).click()
    page.get_by_label("Name", exact=True).fill("M-late")
    page.get_by_label("Serial number").fill("invented 7")
    page.get_by_label("Resolution").fill("0.0001")
    page.get_by_label("Calibrated on").fill("2024-03-01")
    page.get_by_label("Next due").fill("2025-03-01")
    page.get_by_label("Calibrated by").fill("an invented laboratory")
    check_accessible(page, "the bench's instruments")
    page.get_by_role("button", name="Keep it").click()
    row = page.get_by_role("row").filter(has_text="M-late")
    expect(row).to_contain_text("overdue")

    mail_in = desk.post("/v1/mail-ins", {}).get_json()
    desk.post(f"/v1/mail-ins/{mail_in['id']}/events", {"kind": "received", "place": "bench 1"})
    page.evaluate("path => { location.hash = path; }", f"#/shaft/{mail_in['id']}")
    page.get_by_label("Intake lobe height").fill("1.2089 1.2090")
    page.get_by_label(re.compile("M-late")).check()
    page.get_by_label("Zero before, in, M-late").fill("0.0000")
    page.get_by_label("Zero after, in, M-late").fill("0.0001")
    page.get_by_label("Bench °C").fill("20")
    page.get_by_label("Shaft °C, if not the same").fill("36")
    check_accessible(page, "what a shaft is measured with")
    page.get_by_role("button", name="Record it").click()
    timeline = page.locator(".timeline")
    expect(timeline).to_contain_text("Measured by P. Marl with M-late.")
    expect(timeline).to_contain_text("ran out on 2025-03-01")
    expect(timeline).to_contain_text("drifted by +0.0001 in")
    expect(timeline).to_contain_text("1 reading was corrected to 20 °C")
    check_accessible(page, "a shaft and what it was measured with")
    check_fits(page, *WIDTHS)

    enter(page, "Bench")
    page.get_by_text("Instruments", exact=True).click()
    row.get_by_role("button", name="Calibrated").click()
    page.get_by_label("Calibrated on").fill("2025-03-02")
    page.get_by_label("Next due").fill("2095-03-02")
    page.get_by_label("Calibrated by").fill("an invented laboratory")
    page.get_by_role("button", name="Record it").click()
    expect(row).not_to_contain_text("overdue")
    page.get_by_label("Name", exact=True).fill("half typed")
    row.get_by_role("button", name="Out of use").click()
    page.get_by_label("Why").fill("Dropped; the spindle binds.")
    check_accessible(page, "an instrument out of use")
    page.get_by_role("button", name="Take it out of use").click()
    expect(row).to_have_count(0)
    expect(page.get_by_label("Name", exact=True)).to_have_value("half typed")


def column(table: Json) -> list[str]:
    return [f"{at},{lift}" for at, lift in table.items()]


def test_lobes_of_several_cylinders_are_held_against_each_other(desk_page: Page, tmp_path: Path) -> None:
    page = desk_page
    intake = dict(map(tuple, LIFT_TABLE_EXAMPLES["a_bench"]["value"]["lobes"][0]["table"]))
    file = tmp_path / "lobes.csv"
    rows = [f"{at},{lift},{float(lift) * 0.97:.4f}" for at, lift in intake.items()]
    file.write_text("\n".join(["angle,intake,intake_2", *rows]))
    enter(page, "Bench")
    page.get_by_label("File").first.set_input_files(file)
    expect(page.get_by_label("Intake table, cylinder 2")).not_to_be_empty()
    page.get_by_role("button", name="Work it out").click()
    expect(page.get_by_role("heading", name="Lobes unlike the others")).to_be_visible()
    check_accessible(page, "the bench with two cylinders")
    check_fits(page, *WIDTHS)


def test_look_alikes_come_in_groups_with_the_cheapest_thing_that_tells_them_apart(desk_page: Page) -> None:
    page = desk_page
    enter(page, "Look-alikes")
    group = page.get_by_role("region", name="KG8-3J7")
    expect(page.locator(".groups section").first).to_be_visible()
    make_picture(page, "all look-alikes")
    page.get_by_label("Part or core").fill("dfh-7wt")
    group = page.get_by_role("region", name="DFH-7WT")
    expect(group).to_be_visible()
    expect(group).to_contain_text("Take the duration with a degree wheel")
    expect(group).to_contain_text("14 crank degrees")
    check_accessible(page, "the look-alikes")


def test_a_part_there_is_not_is_told_from_one_without_look_alikes(desk_page: Page, desk: Caller) -> None:
    page = desk_page
    pairs = [pair for page_of in pages_of(desk) for pair in page_of]
    alike = {pair[name] for pair in pairs for name in ("part_number", "other")}
    parts = desk.get("/v1/catalogue/parts?limit=100").get_json()["items"]
    alone = next(part["part_number"] for part in parts if part["part_number"] not in alike)
    enter(page, "Look-alikes")
    expect(page.locator(".groups section").first).to_be_visible()
    page.get_by_label("Part or core").fill("QQQ-9")
    expect(page.get_by_text("There is no such part or core: no number begins with “QQQ-9”.")).to_be_visible()
    expect(page.get_by_text("0 groups")).to_have_count(0)
    check_accessible(page, "look-alikes of no part")
    page.get_by_label("Part or core").fill(alone.lower())
    expect(page.get_by_text(f"No part whose number begins with “{alone.lower()}” has look-alikes.")).to_be_visible()


def pages_of(desk: Caller) -> Iterator[list[Json]]:
    cursor = ""
    while cursor is not None:
        body = desk.get(f"/v1/catalogue/look-alikes?limit=100{cursor and f'&cursor={cursor}'}").get_json()
        yield body["items"]
        cursor = body["next_cursor"]


def test_the_room_of_changed_answers_says_how_far_the_asking_has_come(desk_page: Page) -> None:
    enter(desk_page, "Changed answers")
    expect(desk_page.get_by_role("heading", name="Changed answers")).to_be_visible()
    expect(
        desk_page.get_by_text("asked again under").or_(desk_page.get_by_role("status").filter(has_text="Revision"))
    ).to_be_visible()
    check_accessible(desk_page, "changed answers")


def test_no_room_has_to_be_pushed_sideways(desk_page: Page, desk: Caller, sample: Json) -> None:
    case = desk.submit(sample | {"ask_person": True})
    page = desk_page
    for room in ROOMS:
        enter(page, room)
        expect(page.locator("h1")).to_be_visible()
        page.wait_for_load_state("networkidle")
        check_fits(page, *WIDTHS)
    for path, heading in ((f"#/case/{case['id']}", "Case"), (f"#/review/{case['review']['id']}", "Case")):
        page.evaluate("path => { location.hash = path; }", path)
        expect(page.get_by_role("heading", name=heading, level=1)).to_contain_text(case["reference"])
        check_fits(page, *WIDTHS)


def test_a_shaft_s_tables_are_kept_with_it_from_the_bench(desk_page: Page, desk: Caller, tmp_path: Path) -> None:
    shaft = desk.post("/v1/mail-ins", {"contact": {"name": "Ada Quill"}}).get_json()
    desk.post(f"/v1/mail-ins/{shaft['id']}/events", {"kind": "received", "place": "bench 1"})
    page = desk_page
    page.evaluate("path => { location.hash = path; }", f"#/shaft/{shaft['id']}")
    page.get_by_role("link", name="To the bench").click()
    expect(page.get_by_label(f"Keep them with shaft {shaft['spoken']}")).to_be_checked()
    page.get_by_label("File").first.set_input_files(bench_file(tmp_path))
    for field in page.get_by_label("Base circle, measured").all():
        field.fill("0.8610")
    page.get_by_role("button", name="Work it out").click()
    expect(page.get_by_text(f"Kept with shaft {shaft['spoken']}.")).to_be_visible()
    check_accessible(page, "the bench with a shaft's table kept")
    page.get_by_role("link", name="To the shaft").click()
    expect(page.get_by_text("One lift table is kept with this shaft")).to_be_visible()


def bench_file(folder: Path) -> Path:
    """The example's two lobes as a bench writes them: one file, a column for each lobe."""
    tables = {
        each["lobe"]: dict(map(tuple, each["table"])) for each in LIFT_TABLE_EXAMPLES["a_bench"]["value"]["lobes"]
    }
    lines = [f"{at},{tables['intake'][at]},{tables['exhaust'][at]}" for at in tables["intake"]]
    file = folder / "bench.csv"
    file.write_text("\n".join(["angle,intake,exhaust", *lines]))
    return file
