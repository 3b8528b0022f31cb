"""The catalogue as staff read it: as stated, page by page, in one revision."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from service.catalogue_files import read_json
from service.domain.access import Role
from tests.api.conftest import FIXTURES, Caller, Json

INVENTED = read_json((FIXTURES / "catalogue.json").read_bytes())
LISTS = ["/v1/catalogue/parts", "/v1/catalogue/cores", "/v1/catalogue/look-alikes"]
READS = [
    *LISTS,
    "/v1/catalogue/revisions",
    "/v1/catalogue/revisions/1",
    f"/v1/catalogue/parts/{INVENTED.parts[0].part_number}",
]


def all_of(caller: Caller, path: str, limit: int = 100) -> list[Json]:
    """Every item of a list, page after page."""
    items: list[Json] = []
    cursor = ""
    joint = "&" if "?" in path else "?"
    while True:
        page = caller.get(f"{path}{joint}limit={limit}{cursor}").get_json()
        assert len(page["items"]) <= limit
        items += page["items"]
        if page["next_cursor"] is None:
            return items
        cursor = f"&cursor={page['next_cursor']}"


@pytest.mark.parametrize("path", READS)
def test_staff_may_read_the_catalogue(as_role: Callable[[Role], Caller], path: str) -> None:
    for role in (Role.DESK, Role.BENCH, Role.ADMIN):
        assert as_role(role).get(path).status_code == 200


@pytest.mark.parametrize("path", READS)
def test_widget_keys_and_strangers_may_not(widget: Caller, nobody: Caller, path: str) -> None:
    assert widget.get(path).status_code == 403
    assert nobody.get(path).status_code == 401


def test_what_is_read_can_be_imported_again_and_is_the_same(desk: Caller) -> None:
    read = {
        "cores": all_of(desk, "/v1/catalogue/cores", limit=5),
        "parts": all_of(desk, "/v1/catalogue/parts", limit=40),
    }
    assert read_json(read) == INVENTED


def test_a_part_is_shown_as_it_was_stated(desk: Caller) -> None:
    for stated in (INVENTED.parts[0], next(p for p in INVENTED.parts if p.unit.value == "mm")):
        shown = desk.get(f"/v1/catalogue/parts/{stated.part_number}").get_json()
        assert shown["unit"] == stated.unit.value
        for kind, lobe in stated.lobes.items():
            text = shown["lobes"][kind.value]["lift"]
            assert Decimal(text) * stated.unit.mm == Decimal(repr(lobe.lift_mm))
            assert len(text.partition(".")[2]) == stated.unit.decimals


def test_a_part_is_shown_in_the_unit_asked_for(desk: Caller) -> None:
    """25.4 mm an inch exactly."""
    stated = next(p for p in INVENTED.parts if p.core == "SD")
    path = f"/v1/catalogue/parts/{stated.part_number}"
    inch, metric = (desk.get(f"{path}?unit={unit}").get_json() for unit in ("in", "mm"))
    assert (inch["unit"], metric["unit"]) == ("in", "mm")
    for name in ("lift", "base_circle", "lash"):
        sizes = [Decimal(shown["lobes"]["intake"][name]) for shown in (inch, metric)]
        assert sizes[1] == sizes[0] * Decimal("25.4")


def test_a_part_number_that_is_not_sold_is_not_found(desk: Caller) -> None:
    for number in ("NONE-SUCH", "a/b", "%00", "%F0%9F%94%A7", "'%20OR%201=1"):
        response = desk.get(f"/v1/catalogue/parts/{number}")
        assert response.status_code == 404, number
        assert response.content_type == "application/problem+json"


@pytest.mark.parametrize("path", LISTS)
def test_a_list_states_its_revision_and_unit(desk: Caller, path: str) -> None:
    page = desk.get(f"{path}?limit=3").get_json()
    assert page["catalogue_revision"] == 1
    assert page["unit"] == ("in" if path.endswith("look-alikes") else "as_stated")
    assert desk.get(f"{path}?limit=3&unit=mm").get_json()["unit"] == "mm"
    assert len(page["items"]) == 3


@pytest.mark.parametrize("path", LISTS)
def test_pages_join_up_without_gap_or_repeat(desk: Caller, path: str) -> None:
    assert all_of(desk, path, limit=7) == all_of(desk, path, limit=100)


def test_parts_are_filtered_by_core_status_and_beginning(desk: Caller) -> None:
    numbers = [part.part_number for part in INVENTED.parts]
    found = all_of(desk, "/v1/catalogue/parts?core=JX&status=superseded")
    expected = [p.part_number for p in INVENTED.parts if p.core == "JX" and p.status == "superseded"]
    assert [part["part_number"] for part in found] == expected
    assert expected
    beginning = numbers[5][:2]
    found = all_of(desk, f"/v1/catalogue/parts?q={beginning.lower()}")
    assert [part["part_number"] for part in found] == [n for n in numbers if n.startswith(beginning)]
    assert all_of(desk, "/v1/catalogue/parts?core=none") == []


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ("limit=0", "/limit"),
        ("limit=101", "/limit"),
        ("limit=1_0", "/limit"),
        ("unit=cm", "/unit"),
        ("status=gone", "/status"),
        ("cursor=x", "/cursor"),
        ("q=%00", "/q"),
        ("colour=red", "/colour"),
    ],
)
def test_a_query_that_cannot_be_meant_is_refused_by_name(desk: Caller, query: str, pointer: str) -> None:
    response = desk.get(f"/v1/catalogue/parts?{query}")
    assert response.status_code == 422
    assert [error["pointer"] for error in response.get_json()["errors"]] == [pointer]


@pytest.mark.parametrize("path", [*LISTS, "/v1/catalogue/revisions"])
@pytest.mark.parametrize("cursor", ["AAAAAAAAAAAAAAAAAAAAAA", "____________________-w", "AAAAAAAAAAH_________9w"])
def test_any_cursor_of_the_right_form_is_taken(desk: Caller, path: str, cursor: str) -> None:
    assert desk.get(f"{path}?cursor={cursor[:22].ljust(22, 'A')}").status_code == 200


@pytest.mark.parametrize("path", READS[:3] + READS[5:])
def test_what_has_not_changed_is_not_sent_again(desk: Caller, path: str) -> None:
    first = desk.get(path)
    again = desk.get(path, If_None_Match=first.headers["ETag"])
    assert (again.status_code, again.data) == (304, b"")
    assert again.headers["ETag"] == first.headers["ETag"]
    assert desk.get(path, If_None_Match='"other"').status_code == 200


def test_look_alikes_name_what_separates_them(desk: Caller) -> None:
    pairs = all_of(desk, "/v1/catalogue/look-alikes")
    by_separator: dict[str, Any] = {pair["separated_by"]: pair for pair in pairs}
    assert by_separator["gear_teeth"]["difference"] == {"value": "2", "unit": "teeth"}
    assert by_separator["overall_length"]["difference"] == {"value": "0.3600", "unit": "in"}
    assert by_separator["duration"]["difference"]["unit"] == "crank_degrees"
    assert by_separator["nothing"]["difference"] is None
    assert by_separator["flank_width"]["where"] in ("intake", "exhaust")
    for pair in pairs:
        assert 0.05 < pair["wrong_guesses"] <= 0.5
        assert pair["wrong_guesses_then"] <= (0.5 if pair["separated_by"] == "nothing" else 0.05)


def test_other_tools_and_another_rate_make_another_map(desk: Caller) -> None:
    path = "/v1/catalogue/look-alikes"
    with_caliper = {(pair["part_number"], pair["other"]) for pair in all_of(desk, path)}
    finer = {(pair["part_number"], pair["other"]) for pair in all_of(desk, f"{path}?tools=outside_micrometer")}
    stricter = {(pair["part_number"], pair["other"]) for pair in all_of(desk, f"{path}?error_rate=0.01")}
    wheel = all_of(desk, f"{path}?tools=digital_caliper,degree_wheel")

    assert finer < with_caliper < stricter
    assert {pair["in_kit"] for pair in wheel if pair["separated_by"] == "duration"} == {True}


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ("tools=hammer", "/tools"),
        ("tools=", "/tools"),
        ("tools=degree_wheel", "/tools"),
        ("error_rate=0", "/error_rate"),
        ("error_rate=0.5", "/error_rate"),
        ("error_rate=nan", "/error_rate"),
    ],
)
def test_a_kit_that_cannot_be_meant_is_refused_by_name(desk: Caller, query: str, pointer: str) -> None:
    response = desk.get(f"/v1/catalogue/look-alikes?{query}")
    assert response.status_code == 422
    assert [error["pointer"] for error in response.get_json()["errors"]] == [pointer]


def test_a_revision_says_who_when_and_why(desk: Caller) -> None:
    shown = desk.get("/v1/catalogue/revisions/1").get_json()
    assert (shown["revision"], shown["state"], shown["made_by"]) == (1, "active", "tests")
    assert (shown["cores"], shown["parts"]) == (12, 263)
    assert desk.get("/v1/catalogue/revisions").get_json()["items"][-1] == shown


@pytest.mark.parametrize("number", ["0", "999", "99999999999999999999"])
def test_a_revision_that_is_not_there_is_not_found(desk: Caller, number: str) -> None:
    assert desk.get(f"/v1/catalogue/revisions/{number}").status_code == 404
