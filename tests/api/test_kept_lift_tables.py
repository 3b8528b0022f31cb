"""Lift tables kept with a submission, a posted shaft, or both: raw rows, an answer that rests on them, a way out."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

import psycopg
import pytest

from service.domain.access import Role
from service.settings import Settings
from service.web.api.lift_tables.examples import LIFT_TABLE_EXAMPLES
from tests.api.conftest import Caller
from tests.api.test_lift_tables import CATALOGUE, TABLED, table_of
from tests.api.test_mail_ins import Shaft

Json = dict[str, Any]


@pytest.fixture
def sheet() -> Json:
    return copy.deepcopy(LIFT_TABLE_EXAMPLES["a_bench"]["value"])


@pytest.fixture
def bench(as_role: Callable[[Role], Caller]) -> Caller:
    return as_role(Role.BENCH)


def kept(caller: Caller, body: Json, **headers: str) -> Json:
    response = caller.post("/v1/lift-tables", body, **headers)
    assert response.status_code == 201, response.get_data(as_text=True)
    found: Json = response.get_json()
    assert response.headers["Location"] == f"/v1/lift-tables/{found['kept']['id']}"
    return found


def as_numbers(table: list[list[Any]]) -> list[list[float]]:
    return [[float(angle), float(lift)] for angle, lift in table]


def test_tables_kept_with_a_submission_come_back_digit_for_digit_and_are_shown_in_its_case(
    desk: Caller, bench: Caller, scant: Json, sheet: Json
) -> None:
    submission = desk.submit(scant)

    found = kept(bench, sheet | {"submission": submission["id"]})

    assert found["kept"]["by"] == "the tests' bench"
    read = desk.get(f"/v1/lift-tables/{found['kept']['id']}")
    assert read.status_code == 200
    again = read.get_json()
    assert [lobe["lift"] for lobe in again["lobes"]] == [lobe["lift"] for lobe in found["lobes"]]
    for sent, back in zip(sheet["lobes"], again["sent"]["lobes"], strict=True):
        assert [lift for _, lift in back["table"]] == [lift for _, lift in sent["table"]]
        assert as_numbers(back["table"]) == as_numbers(sent["table"])
    assert again["sent"]["rocker_ratio"] == sheet["rocker_ratio"]
    file = desk.get(f"/v1/cases/{submission['id']}").get_json()
    assert [one["id"] for one in file["lift_tables"]] == [found["kept"]["id"]]
    assert len(file["rounds"]) == 2
    assert "lift_tables_kept" in {entry["action"] for entry in file["trail"]}


def test_what_was_kept_can_be_sent_again_as_it_is(desk: Caller, scant: Json) -> None:
    roller = LIFT_TABLE_EXAMPLES["a_pasted_table"]["value"] | {"submission": desk.submit(scant)["id"]}
    found = kept(desk, roller)

    again = desk.post("/v1/lift-tables", found["sent"]).get_json()

    assert again["lobes"] == found["lobes"]


def test_kept_tables_are_drawn(desk: Caller, scant: Json, sheet: Json) -> None:
    found = kept(desk, sheet | {"submission": desk.submit(scant)["id"]})

    drawing = desk.get(f"/v1/lift-tables/{found['kept']['id']}/plot.svg")

    assert drawing.status_code == 200
    assert drawing.get_data(as_text=True) == desk.post("/v1/lift-tables/plot.svg", sheet).get_data(as_text=True)


def test_tables_sent_twice_under_one_idempotency_key_are_kept_once(desk: Caller, scant: Json, sheet: Json) -> None:
    submission = desk.submit(scant)
    body = sheet | {"submission": submission["id"]}

    first = kept(desk, body, Idempotency_Key=f"tables-{submission['id']}")
    second = kept(desk, body, Idempotency_Key=f"tables-{submission['id']}")

    assert first == second
    assert len(desk.get(f"/v1/cases/{submission['id']}").get_json()["lift_tables"]) == 1


def test_tables_of_a_shaft_on_the_bench_become_its_submissions_when_it_is_measured(bench: Caller, sheet: Json) -> None:
    shaft = Shaft(bench).told("received")
    found = kept(bench, sheet | {"mail_in": shaft.announced["id"]})
    assert found["kept"]["submission"] is None
    assert shaft.read()["lift_tables"] == [f"/v1/lift-tables/{found['kept']['id']}"]

    shaft.told("measured")

    submission = shaft.read()["submission"]
    file = bench.get(f"/v1/cases/{submission}").get_json()
    assert [one["id"] for one in file["lift_tables"]] == [found["kept"]["id"]]
    more = kept(bench, sheet | {"mail_in": shaft.announced["id"]})
    assert more["kept"]["submission"] == submission


def test_a_shaft_that_is_not_here_has_no_tables(bench: Caller, sheet: Json) -> None:
    shaft = Shaft(bench)

    assert bench.post("/v1/lift-tables", sheet | {"mail_in": shaft.announced["id"]}).status_code == 409
    shaft.told("received", "returned")
    assert bench.post("/v1/lift-tables", sheet | {"mail_in": shaft.announced["id"]}).status_code == 409


def test_a_submission_and_a_shaft_there_are_not_or_that_do_not_belong_together_are_named(
    bench: Caller, desk: Caller, scant: Json, sheet: Json
) -> None:
    nobody = "00000000-0000-4000-8000-000000000000"
    shaft = Shaft(bench).told("received")
    other = desk.submit(scant)["id"]
    for attached, pointer in (
        ({"submission": nobody}, "/submission"),
        ({"mail_in": nobody}, "/mail_in"),
        ({"mail_in": shaft.announced["id"], "submission": other}, "/submission"),
    ):
        response = bench.post("/v1/lift-tables", sheet | attached)
        assert response.status_code == 422
        assert [fault["pointer"] for fault in response.get_json()["errors"]] == [pointer]


def test_a_bad_table_is_refused_and_nothing_is_kept(desk: Caller, scant: Json, sheet: Json) -> None:
    submission = desk.submit(scant)["id"]
    sheet["lobes"][1]["table"] = [row for row in sheet["lobes"][1]["table"] if abs(row[0] - 220) < 66]

    assert desk.post("/v1/lift-tables", sheet | {"submission": submission}).status_code == 422
    file = desk.get(f"/v1/cases/{submission}").get_json()
    assert file["lift_tables"] == []
    assert len(file["rounds"]) == 1


def test_withdrawn_tables_stay_to_be_seen_and_are_withdrawn_once(desk: Caller, scant: Json, sheet: Json) -> None:
    submission = desk.submit(scant)["id"]
    path = kept(desk, sheet | {"submission": submission})["kept"]["worked_out"]

    withdrawn = desk.post(f"{path}/withdrawal", {"reason": "Another shaft's."})

    assert withdrawn.status_code == 200
    assert withdrawn.get_json()["kept"]["withdrawn"]["reason"] == "Another shaft's."
    assert desk.post(f"{path}/withdrawal", {"reason": "Again."}).status_code == 409
    assert desk.get(path).get_json()["sent"]["lobes"]
    assert len(desk.get(f"/v1/cases/{submission}").get_json()["rounds"]) == 3


def test_a_merge_takes_tables_along(desk: Caller, scant: Json, sheet: Json) -> None:
    case, into = desk.submit(scant)["id"], desk.submit(scant)["id"]
    found = kept(desk, sheet | {"submission": case})

    merged = desk.post(f"/v1/cases/{case}/merge", {"into": into, "reason": "One shaft."})

    assert merged.status_code == 200, merged.get_data(as_text=True)
    assert desk.get(f"/v1/cases/{into}").get_json()["lift_tables"][0]["id"] == found["kept"]["id"]
    assert desk.get(f"/v1/cases/{case}").get_json()["lift_tables"] == []


def test_kept_tables_are_handed_over_to_their_customer_and_lose_what_was_written_about_them(
    desk: Caller, as_role: Callable[[Role], Caller], scant: Json, sheet: Json
) -> None:
    email = "tables@customer.example"
    submission = desk.submit(scant | {"contact": {"email": email}})["id"]
    path = kept(desk, sheet | {"submission": submission})["kept"]["worked_out"]
    desk.post(f"{path}/withdrawal", {"reason": "POISON told us."})
    admin = as_role(Role.ADMIN)

    exported = admin.post("/v1/privacy/export", {"email": email}).get_json()
    assert "0.3" in json.dumps(exported["cases"][0]["lift_tables"][0]["sent"])
    assert admin.post("/v1/privacy/erasure", {"email": email}).status_code == 200

    assert desk.get(path).get_json()["kept"]["withdrawn"]["reason"] == "erased"


def test_kept_tables_are_staffs_alone(desk: Caller, widget: Caller, scant: Json, sheet: Json) -> None:
    path = kept(desk, sheet | {"submission": widget.submit(scant)["id"]})["kept"]["worked_out"]

    assert widget.get(path).status_code == 403


def test_the_database_keeps_rows_as_they_were_sent(
    desk: Caller, scant: Json, sheet: Json, api_settings: Settings
) -> None:
    found = kept(desk, sheet | {"submission": desk.submit(scant)["id"]})

    with psycopg.connect(str(api_settings.database_url), autocommit=True) as connection:
        with pytest.raises(psycopg.errors.IntegrityConstraintViolation, match="as they were sent"):
            connection.execute("UPDATE lift_tables SET sent = '{}' WHERE id = %s", [found["kept"]["id"]])
        count = connection.execute("SELECT count(*) FROM lift_tables WHERE id = %s", [found["kept"]["id"]]).fetchone()
    assert count == (1,)


def test_a_table_names_the_part_that_calipers_left_open_and_its_bits_stand_in_the_evidence(desk: Caller) -> None:
    lobes = TABLED["lobes"]
    core = next(core for core in CATALOGUE["cores"] if core["code"] == TABLED["core"])
    journal = core["journals"][0]
    readings: list[Json] = [
        {"feature": "journal_diameter", "position": journal["position"], "values": [journal["diameter"]]}
    ]
    opened = desk.submit({"source": "phone", "unit": "in", "readings": readings})
    assert opened["state"] != "identified"
    tables: Json = {
        "unit": "in",
        "angle": "cam",
        "follower": {"kind": "flat"},
        "submission": opened["id"],
        "lobes": [
            {"lobe": name, "base_circle": lobes[name]["base_circle"], "table": table_of(name, nose, seed)}
            for name, nose, seed in (("exhaust", 110.0, 1), ("intake", 218.0, 2))
        ],
    }

    path = kept(desk, tables)["kept"]["worked_out"]

    answer = desk.get(f"/v1/submissions/{opened['id']}").get_json()
    leading = answer["candidates"][0]
    assert leading["part_number"] == TABLED["part_number"]
    assert leading["probability"] > 0.95
    bits = {row["reading"]: row["bits"] for row in leading["evidence"]}
    assert bits["/lift_tables"] > 5
    assert desk.post(f"{path}/withdrawal", {"reason": "Another shaft's."}).status_code == 200
    again = desk.get(f"/v1/submissions/{opened['id']}").get_json()
    assert again["candidates"][0]["probability"] == pytest.approx(opened["candidates"][0]["probability"], abs=1e-6)
