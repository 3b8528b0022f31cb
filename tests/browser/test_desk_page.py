"""The desk page in a real browser: a call by keyboard alone, a slip, a lost line, the queue."""

from __future__ import annotations

from typing import Any

import psycopg
import pytest
from playwright.sync_api import Page, Route, expect

from service.domain.access import Role
from tests.api.conftest import Caller
from tests.browser.conftest import TABLET, TELEPHONE, WIDTHS, OpenPage, check_accessible, check_fits, sign_in, tab_to

Json = dict[str, Any]


def type_rows(page: Page, *rows: str) -> None:
    """Readings into one row after the other, with nothing but the keyboard."""
    for row in rows:
        page.keyboard.type(row)
        page.keyboard.press("Enter")


SAMPLE_ROWS = ("0.0005", "0.7500 0.7500", "1.2085 1.2090", "0.8620 0.8615", "1.2185 1.2190", "0.8620 0.8615")


def test_a_call_is_taken_from_the_first_digit_to_the_answer_by_keyboard_alone(desk_page: Page, desk: Caller) -> None:
    page = desk_page
    type_rows(page, *SAMPLE_ROWS[:2])
    expect(page.locator(".ask .say")).to_contain_text("lobe")
    check_accessible(page, "a call with a reading to ask for")

    page.keyboard.press("F2")
    expect(page.locator(".entry.wanted input.values")).to_be_focused()
    tab_to(page, page.get_by_label("Intake lobe height", exact=True))
    type_rows(page, *SAMPLE_ROWS[2:], "5.1225", "28")
    expect(page.locator(".verdict.identified")).to_contain_text("KG8-3J7")
    expect(page.get_by_role("status")).to_contain_text("KG8-3J7")
    expect(page.locator(".chart svg")).to_be_visible()
    tab_to(page, page.locator("summary", has_text="Why KG8-3J7"))
    page.keyboard.press("Enter")
    expect(page.get_by_role("region", name="Evidence for KG8-3J7")).to_contain_text("Intake lobe height")
    check_accessible(page, "a call that is identified")

    page.keyboard.press("F9")
    expect(page.get_by_role("heading", name="Call")).to_contain_text("kept as")
    reference = page.get_by_role("heading", name="Call").inner_text().split()[-1]
    assert reference.isdigit()

    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    page.keyboard.press("F8")
    expect(page.get_by_role("status")).to_contain_text("Summary copied")
    summary = page.evaluate("navigator.clipboard.readText()")
    assert summary.startswith("KG8-3J7, over 99.9 % sure")
    assert f"{reference[:4]} {reference[4:]}" in summary
    assert "qualified engine builder" in summary


def test_a_slip_is_corrected_with_one_key_and_can_be_put_back(desk_page: Page) -> None:
    page = desk_page
    height, base = (page.get_by_label(name, exact=True) for name in ("Intake lobe height", "Intake base circle"))
    swapped = (*SAMPLE_ROWS[:2], SAMPLE_ROWS[3], SAMPLE_ROWS[2], *SAMPLE_ROWS[4:], "5.1225", "28")
    type_rows(page, *swapped)
    expect(page.locator(".slip")).to_contain_text("look swapped")
    check_accessible(page, "a call with a slip")

    page.keyboard.press("F4")
    expect(page.locator(".slip")).to_have_count(0)
    expect(height).to_have_value("1.2085 1.2090")
    expect(base).to_have_value("0.8620 0.8615")

    page.get_by_role("button", name="Put it back").click()
    expect(height).to_have_value("0.8620 0.8615")


def test_a_half_typed_call_outlives_a_lost_line_and_a_reload(desk_page: Page) -> None:
    page = desk_page
    type_rows(page, *SAMPLE_ROWS[:2])
    expect(page.locator(".ask")).to_be_visible()

    page.context.set_offline(True)
    type_rows(page, *SAMPLE_ROWS[2:], "5.1225", "28")
    expect(page.get_by_text("No connection")).to_be_visible()
    check_accessible(page, "a call without a line")
    page.keyboard.press("F9")
    page.context.set_offline(False)
    expect(page.locator(".verdict.identified")).to_contain_text("KG8-3J7")
    expect(page.get_by_role("heading", name="Call")).to_contain_text("kept as")

    page.reload()
    expect(page.get_by_label("Exhaust lobe height", exact=True)).to_have_value("1.2185 1.2190")
    expect(page.locator(".verdict.identified")).to_contain_text("KG8-3J7")


def test_a_reading_is_taken_once_more_with_a_better_tool_by_keyboard_alone(desk_page: Page, desk: Caller) -> None:
    page = desk_page
    type_rows(page, *SAMPLE_ROWS[:4])

    another = page.get_by_label("Another reading")
    tab_to(page, another)
    for _ in range(40):
        if another.evaluate("it => it.selectedOptions[0].label") == "Intake base circle, once more":
            break
        page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    again = page.get_by_label("Intake base circle", exact=True).nth(1)
    expect(again).to_be_focused()
    page.keyboard.type("0.8611")
    tab_to(page, page.get_by_label("Tool for Intake base circle").nth(1))
    page.keyboard.type("outside")
    check_accessible(page, "a call with a reading taken once more")
    page.keyboard.press("F9")
    reference = kept_as(page)

    [case] = desk.get(f"/v1/cases?reference={reference}").get_json()["items"]
    kept = desk.get(f"/v1/submissions/{case['id']}").get_json()["submission"]["readings"]
    tools = [(each["values"], each["instrument"]) for each in kept if each["feature"] == "base_circle"]
    assert tools == [(["0.8620", "0.8615"], "digital_caliper"), (["0.8611"], "outside_micrometer")]


def test_a_lobe_of_another_cylinder_can_be_noted(desk_page: Page, desk: Caller) -> None:
    page = desk_page
    type_rows(page, *SAMPLE_ROWS[:4])
    page.get_by_label("Another reading").select_option("Intake lobe height, once more")
    page.get_by_role("button", name="Add it").click()
    page.keyboard.type("1.2089")
    page.get_by_label("cylinder, if several").fill("two")
    expect(page.get_by_text("the cylinder is a whole number")).to_be_visible()
    page.get_by_label("cylinder, if several").fill("2")
    page.keyboard.press("F9")
    reference = kept_as(page)

    [case] = desk.get(f"/v1/cases?reference={reference}").get_json()["items"]
    kept = desk.get(f"/v1/submissions/{case['id']}").get_json()["submission"]["readings"]
    assert [each.get("cylinder") for each in kept if each["feature"] == "lobe_height"] == [None, 2]


def test_the_tool_that_is_asked_for_is_the_tool_that_is_written_down(desk_page: Page) -> None:
    page = desk_page

    def ask_for_a_micrometer(route: Route) -> None:
        answer = route.fetch()
        said = answer.json()
        said["next_reading"] |= {"feature": "journal_diameter", "lobe": None, "position": "front"}
        said["next_reading"] |= {"instrument": "outside_micrometer"}
        route.fulfill(response=answer, json=said)

    page.route("**/v1/previews", ask_for_a_micrometer)
    type_rows(page, *SAMPLE_ROWS[:2])
    expect(page.locator(".ask")).to_be_visible()
    page.keyboard.press("F2")

    again = page.get_by_label("Front journal", exact=True).nth(1)
    expect(again).to_be_focused()
    expect(again).to_have_value("")
    expect(page.get_by_label("Tool for Front journal").nth(1)).to_have_value("outside_micrometer")


def kept_as(page: Page) -> str:
    """The reference the call is kept under, once nothing of it is left to keep."""
    expect(page.get_by_role("button", name="Kept")).to_be_visible()
    return page.get_by_role("heading", name="Call").inner_text().split("kept as")[1].strip()


def test_what_a_caller_says_after_the_call_is_kept_joins_the_same_case(desk_page: Page, desk: Caller) -> None:
    page = desk_page
    type_rows(page, *SAMPLE_ROWS[:4])
    page.keyboard.press("F9")
    reference = kept_as(page)

    page.get_by_label("Exhaust lobe height", exact=True).fill("1.2185")
    page.get_by_label("Gear teeth", exact=True).fill("28")
    page.get_by_label("Intake lobe height", exact=True).fill("1.2085 1.2090 1.2090")
    page.get_by_text("Caller, engine, tools, marks, note").click()
    page.get_by_label("E-mail").fill("late@caller.example")
    page.get_by_label("Marks on the shaft").fill("R4")
    expect(page.get_by_role("button", name="Keep what is new")).to_be_visible()
    page.keyboard.press("F9")

    assert kept_as(page) == reference
    [case] = desk.get("/v1/cases?email=late@caller.example").get_json()["items"]
    kept = desk.get(f"/v1/submissions/{case['id']}").get_json()["submission"]
    assert kept["counts"] == {"gear_teeth": 28}
    assert [mark["text"] for mark in kept["markings"]] == ["R4"]
    heights = [each["values"] for each in kept["readings"] if each["feature"] == "lobe_height"]
    assert heights == [["1.2085", "1.2090"], ["1.2090"], ["1.2185"]]


def test_a_correction_after_the_call_is_kept_leaves_one_open_case(desk_page: Page, desk: Caller) -> None:
    page = desk_page
    type_rows(page, *SAMPLE_ROWS[:4])
    page.keyboard.press("F9")
    wrong = kept_as(page)

    page.get_by_label("Intake lobe height", exact=True).fill("1.2115")
    expect(page.get_by_role("button", name="Keep as a new case")).to_be_visible()
    page.keyboard.press("F9")

    right = kept_as(page)
    assert right != wrong
    expect(page.get_by_text(f"It took the place of {wrong}, which is closed: give the caller")).to_be_visible()
    check_accessible(page, "a call corrected after it was kept")
    found = {
        reference: desk.get(f"/v1/cases?reference={reference.replace(' ', '')}").get_json()["items"][0]
        for reference in (wrong, right)
    }
    assert found[wrong]["closed_why"] == "withdrawn"
    assert found[right]["closed_at"] is None
    notes = desk.get(f"/v1/cases/{found[right]['id']}").get_json()["notes"]
    assert [note["text"] for note in notes] == [f"Took the place of {wrong}, which was corrected in mid-call."]


def test_an_answer_that_comes_after_a_newer_one_is_dropped(desk_page: Page) -> None:
    page = desk_page
    held: list[Route] = []
    page.route("**/v1/previews", lambda route: route.continue_() if held else held.append(route))
    type_rows(page, SAMPLE_ROWS[0])
    page.wait_for_timeout(600)
    type_rows(page, *SAMPLE_ROWS[1:], "5.1225", "28")
    expect(page.locator(".verdict.identified")).to_contain_text("KG8-3J7")

    held[0].abort()
    page.wait_for_timeout(300)
    expect(page.locator(".verdict.identified")).to_contain_text("KG8-3J7")
    expect(page.get_by_text("No connection")).to_have_count(0)


def test_a_fault_beside_the_readings_names_its_field(desk_page: Page) -> None:
    page = desk_page
    type_rows(page, *SAMPLE_ROWS[:2])
    page.get_by_text("Caller, engine, tools, marks, note").click()
    page.get_by_label("E-mail").fill("nobody")
    page.keyboard.press("F9")
    expect(page.get_by_text("E-mail: Must be an e-mail address")).to_be_visible()
    page.get_by_label("Engine it is said to be from").press_sequentially("x" * 110)
    expect(page.get_by_label("Engine it is said to be from")).to_have_value("x" * 100)


def test_a_size_beside_a_reading_is_written_as_readings_are(desk_page: Page, desk: Caller) -> None:
    page = desk_page
    type_rows(page, *SAMPLE_ROWS[:2])
    page.get_by_label("Another reading").select_option("Intake duration")
    page.get_by_role("button", name="Add it").click()
    page.keyboard.type("230")
    page.get_by_label("at lift").fill("a bit")
    expect(page.get_by_text("at lift: “a bit” is not a size yet")).to_be_visible()
    page.get_by_label("at lift").fill("0,050")
    page.keyboard.press("F9")
    reference = kept_as(page)
    [case] = desk.get(f"/v1/cases?reference={reference}").get_json()["items"]
    kept = desk.get(f"/v1/submissions/{case['id']}").get_json()["submission"]["readings"]
    assert kept[-1]["checking_lift"] == "0.050"


def test_what_cannot_be_is_said_beside_the_reading(desk_page: Page) -> None:
    page = desk_page
    type_rows(page, "0.0005", "nought")
    field = page.get_by_label("Front journal", exact=True)
    expect(field).to_have_attribute("aria-invalid", "true")
    expect(page.get_by_text("is not a size yet")).to_be_visible()
    check_accessible(page, "a call with a fault")

    field.fill("13/16")
    expect(field).to_have_attribute("aria-invalid", "false")
    expect(page.locator(".verdict")).to_be_visible()


def test_a_review_is_claimed_and_decided(desk_page: Page, desk: Caller, sample: Json) -> None:
    case = desk.submit(sample | {"ask_person": True, "contact": {"phone": "0123 456 789"}})
    page = desk_page
    page.get_by_role("link", name="Queue").click()
    row = page.get_by_role("row").filter(has_text=case["reference"])
    expect(row).to_contain_text("A person was asked for")
    check_accessible(page, "the queue")

    row.get_by_role("button", name="Take").click()
    expect(page.get_by_role("heading", name=f"Case {case['reference']}")).to_be_visible()
    expect(page.get_by_text("Customer: 0123 456 789")).to_be_visible()
    page.get_by_role("button", name="Decide").click()
    assert desk.get(f"/v1/submissions/{case['id']}").get_json()["decision"] is None
    page.get_by_label("It is this part").check()
    expect(page.get_by_label("Part number")).to_have_value("KG8-3J7")
    check_accessible(page, "a review")
    page.get_by_label("sure", exact=True).check()
    page.get_by_label("What it rests on").fill("Both lifts and the gear.")
    page.get_by_role("button", name="Decide").click()
    expect(page.locator("main").get_by_text("Decided: KG8-3J7.")).to_be_visible()

    decision = desk.get(f"/v1/submissions/{case['id']}").get_json()["decision"]
    assert decision["part_number"] == "KG8-3J7"
    assert decision["confidence"] == "sure"
    assert decision["by"].startswith("P. Marl") or "desk" in decision["by"]


def test_a_case_can_be_taken_on_a_telephone_without_pushing_the_queue_sideways(
    new_page: OpenPage, keys: dict[Role, str], desk: Caller, sample: Json
) -> None:
    case = desk.submit(sample | {"source": "counter", "ask_person": True})
    page = new_page(TELEPHONE)
    sign_in(page, keys[Role.DESK])
    page.goto("/desk/#/queue")
    region = page.get_by_role("region", name="Cases")
    take = region.get_by_role("row").filter(has_text=case["reference"]).get_by_role("button", name="Take")
    expect(take).to_be_visible()
    check_accessible(page, "the queue on a telephone")
    assert region.evaluate("it => it.scrollWidth <= it.clientWidth")
    take.click()
    expect(page.get_by_role("heading", name=f"Case {case['reference']}")).to_be_visible()


def test_a_slip_is_corrected_from_its_review_as_in_a_call(desk_page: Page, desk: Caller, sample: Json) -> None:
    readings = [dict(each) for each in sample["readings"]]
    of_intake = {each["feature"]: each for each in readings if each.get("lobe") == "intake"}
    height, base = of_intake["lobe_height"], of_intake["base_circle"]
    height["values"], base["values"] = base["values"], height["values"]
    wrong = desk.submit(sample | {"readings": readings, "ask_person": True})
    page = desk_page
    page.goto(f"/desk/#/review/{wrong['review']['id']}")
    page.get_by_role("button", name="Take it").click()
    expect(page.get_by_text("in hand: P. Marl")).to_be_visible()
    check_accessible(page, "a review with a slip")

    page.get_by_role("button", name="Correct it in a call").click()
    expect(page.get_by_label("Intake lobe height", exact=True)).to_have_value(" ".join(base["values"]))
    expect(page.locator(".verdict.identified")).to_contain_text("KG8-3J7")
    expect(page.get_by_role("button", name="Put it back")).to_be_visible()
    page.get_by_role("button", name="Keep as a new case").click()
    expect(page.get_by_text("which is closed: give the caller")).to_be_visible()
    assert desk.get(f"/v1/cases/{wrong['id']}").get_json()["submission"]["closed_why"] == "withdrawn"


def test_a_lift_that_cannot_be_is_not_shown_and_it_is_said_why(desk_page: Page) -> None:
    page = desk_page
    type_rows(page, *SAMPLE_ROWS[:2], SAMPLE_ROWS[3], SAMPLE_ROWS[2], *SAMPLE_ROWS[4:])
    region = page.get_by_role("region", name="Worked out")
    expect(region.get_by_role("row", name="Intake lobe lift")).to_contain_text("No lift: the height is no larger")
    expect(region.get_by_role("row", name="Exhaust lobe lift")).to_contain_text("0.35")
    expect(region).not_to_contain_text("-0.")
    check_accessible(page, "a call with a lift that cannot be")
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    page.keyboard.press("F8")
    expect(page.get_by_role("status")).to_contain_text("Summary copied")
    summary = page.evaluate("navigator.clipboard.readText()")
    assert "Intake lobe lift, worked out: No lift" in summary
    assert "-0." not in summary


def test_what_was_typed_of_a_decision_outlives_a_claim_that_lapses(
    desk_page: Page, desk: Caller, sample: Json, database: psycopg.Connection[Any]
) -> None:
    case = desk.submit(sample | {"ask_person": True})
    page = desk_page
    page.clock.install()
    page.evaluate("path => { location.hash = path; }", f"#/review/{case['review']['id']}")
    page.get_by_role("button", name="Take it").click()
    expect(page.get_by_role("button", name="Decide")).to_be_visible()
    page.get_by_label("It is this part").check()
    page.get_by_label("sure").check()
    page.get_by_label("What it rests on").fill("Both lifts.")
    check_accessible(page, "a review in hand")

    # Who goes on typing holds on to it.
    page.clock.fast_forward("02:00")
    with page.expect_response("**/lease") as held:
        page.get_by_label("What it rests on").fill("Both lifts and")
    assert held.value.status == 200

    database.execute(
        "UPDATE reviews SET lease_until = clock_timestamp() - interval '1 second' WHERE id = %s", [case["review"]["id"]]
    )
    page.get_by_label("What it rests on").fill("Both lifts and the gear.")
    page.get_by_role("button", name="Decide").click()
    expect(page.locator("main").get_by_role("alert")).to_contain_text("back in the queue")
    check_accessible(page, "a review whose claim has lapsed")
    page.get_by_role("button", name="Take it").click()
    expect(page.get_by_label("What it rests on")).to_have_value("Both lifts and the gear.")
    page.get_by_role("button", name="Decide").click()
    expect(page.locator("main").get_by_text("Decided: KG8-3J7.")).to_be_visible()
    assert desk.get(f"/v1/submissions/{case['id']}").get_json()["decision"]["reason"] == "Both lifts and the gear."


def test_a_review_puts_no_part_forward_that_is_likely_wrong(desk_page: Page, desk: Caller, scant: Json) -> None:
    case = desk.submit(scant | {"ask_person": True})
    page = desk_page
    page.get_by_role("link", name="Queue").click()
    page.get_by_role("row").filter(has_text=case["reference"]).get_by_role("button", name="Take").click()
    expect(page.get_by_role("heading", name=f"Case {case['reference']}")).to_be_visible()
    for outcome in ("It is this part", "Not in the catalogue", "Nobody can tell from this"):
        expect(page.get_by_label(outcome)).not_to_be_checked()
    page.get_by_label("It is this part").check()
    expect(page.get_by_label("Part number")).to_have_value("")


def test_the_door_says_why_it_stays_shut_and_lets_out_again(new_page: OpenPage, keys: dict[Role, str]) -> None:
    page = new_page(TABLET)
    page.goto("/desk/")
    check_accessible(page, "the door")
    page.get_by_label("Key", exact=True).fill("lobedesk_desk_nothing")
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("not taken")

    sign_in(page, keys[Role.DESK])
    type_rows(page, *SAMPLE_ROWS)
    expect(page.locator(".verdict")).to_be_visible()
    check_accessible(page, "a call on a tablet")
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_label("Key", exact=True)).to_be_visible()
    assert page.evaluate("sessionStorage.length") == 0


@pytest.mark.parametrize("size", [TELEPHONE, (640, 450)], ids=["a telephone", "a desk's page at 200 %"])
def test_what_has_the_focus_is_never_under_the_strip(
    new_page: OpenPage, keys: dict[Role, str], size: tuple[int, int]
) -> None:
    """WCAG 2.2, 2.4.11."""
    page = new_page(size)
    sign_in(page, keys[Role.DESK])
    type_rows(page, "0", *SAMPLE_ROWS[1:4])
    expect(page.locator(".strip")).to_be_visible()
    page.get_by_label("Zero check", exact=True).focus()
    above = """() => {
        const focus = document.activeElement.getBoundingClientRect();
        const strip = document.querySelector(".strip").getBoundingClientRect();
        return focus.bottom <= strip.top || focus.top >= strip.bottom;
    }"""
    for key in ["ArrowDown"] * 7 + ["Tab"] * 6:
        page.keyboard.press(key)
        assert page.evaluate(above), page.evaluate("document.activeElement.outerHTML")


def test_the_range_of_a_lift_is_in_sight_on_a_telephone(new_page: OpenPage, keys: dict[Role, str]) -> None:
    page = new_page(TELEPHONE)
    sign_in(page, keys[Role.DESK])
    type_rows(page, "0", *SAMPLE_ROWS[1:4])
    region = page.get_by_role("region", name="Worked out")
    expect(region).to_be_visible()
    assert region.evaluate("it => it.scrollWidth <= it.clientWidth")


def test_nothing_moves_for_those_who_asked_for_rest(new_page: OpenPage, keys: dict[Role, str]) -> None:
    """WCAG 2.2, 2.3.3, and the `prefers-reduced-motion` of Media Queries 5."""
    moving = "getComputedStyle(document.querySelector('button')).transitionDuration"
    for wish, moves in (("reduce", False), ("no-preference", True)):
        page = new_page(reduced_motion=wish)
        sign_in(page, keys[Role.DESK])
        type_rows(page, *SAMPLE_ROWS)
        expect(page.locator(".verdict")).to_be_visible()
        durations = {each.strip() for each in page.evaluate(moving).split(",")}
        assert (durations != {"0s"}) == moves
        assert page.evaluate("document.getAnimations().length") == 0  # nothing goes on moving by itself


def test_at_twice_the_size_nothing_has_to_be_pushed_sideways(desk_page: Page) -> None:
    type_rows(desk_page, *SAMPLE_ROWS)
    expect(desk_page.locator(".verdict")).to_be_visible()
    check_fits(desk_page, *WIDTHS)
