"""The bench's own record: instruments and their calibrations, and what a shaft was measured with."""

from __future__ import annotations

import copy
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any

import psycopg
import pytest

from service.domain.access import Role
from service.settings import Settings
from service.web.api.lift_tables.examples import LIFT_TABLE_EXAMPLES
from tests.api.conftest import Caller
from tests.api.test_mail_ins import Shaft

Json = dict[str, Any]
SERIAL = count(1)
TODAY = datetime.now(UTC).date()
GOOD = {"calibrated_on": f"{TODAY - timedelta(30)}", "due_on": f"{TODAY + timedelta(335)}", "by": "a laboratory"}
RUN_OUT = {"calibrated_on": f"{TODAY - timedelta(400)}", "due_on": f"{TODAY - timedelta(35)}", "by": "a laboratory"}
WIDTHS = [
    {"feature": "lobe_height", "lobe": "intake", "values": ["1.2089", "1.2090"]},
    {"feature": "base_circle", "lobe": "intake", "values": ["0.8611"]},
]


@pytest.fixture
def bench(as_role: Callable[[Role], Caller]) -> Caller:
    return as_role(Role.BENCH)


def instrument(caller: Caller, **said: Any) -> Json:
    body = {
        "name": f"M-{next(SERIAL)}",
        "serial": "20417",
        "kind": "outside_micrometer",
        "resolution": "0.0001",
        "scale": "in",
        "calibration": GOOD,
    } | said
    answer = caller.post("/v1/bench/instruments", body)
    assert answer.status_code == 201, answer.get_data(as_text=True)
    made: Json = answer.get_json()
    assert answer.headers["Location"] == f"/v1/bench/instruments/{made['id']}"
    return made


def measured(caller: Caller, conditions: Json, **said: Any) -> Json:
    """A shaft that was measured; its last event's record of the bench, with the shaft beside it."""
    shaft = Shaft(caller)
    shaft.tell("received")
    answer = shaft.tell("measured", bench=conditions, readings=WIDTHS, **said)
    assert answer.status_code == 200, answer.get_data(as_text=True)
    found: Json = answer.get_json()
    record: Json = found["events"][-1]["details"]["bench"]
    return record | {"shaft": found}


def test_an_instrument_is_kept_with_every_calibration_and_the_latest_counts(bench: Caller) -> None:
    made = instrument(bench, calibration=RUN_OUT)
    assert made["overdue"] is True

    answer = bench.post(f"/v1/bench/instruments/{made['id']}/calibrations", GOOD | {"certificate": "C-118"})

    assert answer.status_code == 200
    found = bench.get(f"/v1/bench/instruments/{made['id']}").get_json()
    assert found["overdue"] is False
    assert [each["due_on"] for each in found["calibrations"]] == [GOOD["due_on"], RUN_OUT["due_on"]]
    assert found["calibrations"][0]["recorded_by"] == "the tests' bench"
    assert found["calibration"]["certificate"] == "C-118"


def test_a_name_is_given_to_one_instrument_in_use_and_is_free_once_that_is_not(bench: Caller) -> None:
    made = instrument(bench)
    again = {"name": made["name"], "kind": "dial_indicator", "resolution": "0.01", "scale": "mm"}
    assert bench.post("/v1/bench/instruments", again).status_code == 409

    path = f"/v1/bench/instruments/{made['id']}"
    assert bench.post(f"{path}/retirement", {"reason": "Dropped."}).get_json()["retired"] is True

    assert bench.post(f"{path}/retirement", {"reason": "Dropped."}).status_code == 409
    assert bench.post(f"{path}/calibrations", GOOD).status_code == 409
    assert bench.post("/v1/bench/instruments", again).status_code == 201


@pytest.mark.parametrize(
    ("said", "pointer"),
    [
        ({"scale": "deg"}, "/scale"),
        ({"kind": "degree_wheel"}, "/scale"),
        ({"resolution": "0"}, "/resolution"),
        ({"calibration": GOOD | {"due_on": GOOD["calibrated_on"]}}, "/calibration/due_on"),
        ({"calibration": GOOD | {"calibrated_on": f"{TODAY + timedelta(2)}"}}, "/calibration/calibrated_on"),
        ({"name": "two\nlines"}, "/name"),
    ],
)
def test_an_instrument_that_cannot_be_is_refused_with_the_member_at_fault(
    bench: Caller, said: Json, pointer: str
) -> None:
    body = {"name": f"M-{next(SERIAL)}", "kind": "outside_micrometer", "resolution": "0.001", "scale": "mm"}

    answer = bench.post("/v1/bench/instruments", body | said)

    assert answer.status_code == 422
    assert [each["pointer"] for each in answer.get_json()["errors"]] == [pointer]


def test_a_list_of_instruments_comes_in_pages(bench: Caller) -> None:
    made = [instrument(bench)["id"] for _ in range(3)]
    seen: list[str] = []
    path = "/v1/bench/instruments?limit=2"
    while True:
        page = bench.get(path).get_json()
        seen += [each["id"] for each in page["items"]]
        if page["next_cursor"] is None:
            break
        path = f"/v1/bench/instruments?limit=2&cursor={page['next_cursor']}"

    assert seen[-3:] == made
    assert len(set(seen)) == len(seen)


def test_a_store_s_key_sees_no_instrument(widget: Caller) -> None:
    assert widget.get("/v1/bench/instruments").status_code == 403


def test_what_was_read_with_an_overdue_instrument_says_so_and_counts(bench: Caller) -> None:
    late = instrument(bench, calibration=RUN_OUT)

    record = measured(bench, {"instruments": [{"instrument": late["id"]}], "measured_by": "R. Bench"})

    (shown,) = record["instruments"]
    assert (shown["name"], shown["serial"], shown["due_on"]) == (late["name"], "20417", RUN_OUT["due_on"])
    assert shown["overdue"] is True
    assert record["measured_by"] == "R. Bench"
    (message,) = record["messages"]
    assert f"{late['name']} (outside micrometer, serial 20417) ran out on {RUN_OUT['due_on']}, 35 days" in message
    case = bench.get(f"/v1/submissions/{record['shaft']['submission']}").get_json()
    assert len(case["submission"]["readings"]) == 2
    (said,) = [each["message"] for each in case["advice"] if each["code"] == "instrument_overdue"]
    assert (
        said
        == f"This rests on {late['name']} (outside micrometer), whose calibration had run out on {RUN_OUT['due_on']}."
    )


def test_the_record_keeps_how_an_instrument_stood_that_day(bench: Caller) -> None:
    late = instrument(bench, calibration=RUN_OUT)
    record = measured(bench, {"instruments": [{"instrument": late["id"]}]})
    bench.post(f"/v1/bench/instruments/{late['id']}/calibrations", GOOD)

    again = bench.get(f"/v1/mail-ins/{record['shaft']['id']}").get_json()

    assert again["events"][-1]["details"]["bench"]["instruments"][0]["overdue"] is True


def test_the_customer_s_letter_says_that_an_instrument_was_overdue(bench: Caller) -> None:
    late = instrument(bench, calibration=RUN_OUT)
    shaft = Shaft(bench)
    shaft.tell("received")
    shaft.tell("measured", bench={"instruments": [{"instrument": late["id"]}]})

    told = shaft.tell("reported").get_json()

    letter = bench.get(f"/v1/letters/{told['events'][-1]['details']['letter']}/letter.html").get_data(as_text=True)
    assert "had no calibration in date on the day" in letter
    assert late["name"] not in letter


def test_zero_checks_before_and_after_are_weighed_and_their_drift_is_said(bench: Caller) -> None:
    steady, moved = instrument(bench), instrument(bench, kind="dial_indicator", resolution="0.0005")
    used = [
        {"instrument": steady["id"], "zero_before": "0.0001", "zero_after": "0.0002"},
        {"instrument": moved["id"], "zero_before": "0.0000", "zero_after": "-0.0030"},
    ]

    record = measured(bench, {"instruments": used})

    assert [each["drift"] for each in record["instruments"]] == ["0.0001", "-0.0030"]
    within, beyond = record["messages"]
    assert "drifted by +0.0001 in; up to" in within
    assert "drifted by -0.0030 in, more than the" in beyond
    assert "measure again" in beyond
    readings = bench.get(f"/v1/submissions/{record['shaft']['submission']}").get_json()["submission"]["readings"]
    zeros = [each for each in readings if each["feature"] == "zero_check"]
    assert [(each["instrument"], each["values"]) for each in zeros] == [
        ("outside_micrometer", ["0.0001", "0.0002"]),
        ("dial_indicator", ["0.0000", "-0.0030"]),
    ]


def test_a_zero_that_is_off_is_taken_out_of_what_was_read(bench: Caller) -> None:
    tool = instrument(bench)
    true = {"journal_diameter": 0.7498, "lobe_height": 1.2090, "base_circle": 0.8610}
    where: dict[str, Json] = {"journal_diameter": {"position": "front"}}
    found = []
    for zero, checked in ((0.0, True), (0.0016, True), (0.0016, False)):
        zeros = {"zero_before": f"{zero:.4f}", "zero_after": f"{zero:.4f}"} if checked else {}
        readings = [
            {"feature": feature, "values": [f"{size + zero:.4f}"]} | where.get(feature, {"lobe": "intake"})
            for feature, size in true.items()
        ]
        shaft = Shaft(bench).told("received")
        shaft.tell("measured", readings=readings, bench={"instruments": [{"instrument": tool["id"]} | zeros]})
        answer = bench.get(f"/v1/submissions/{shaft.read()['submission']}").get_json()
        found.append(sum(each["probability"] for each in answer["candidates"] if each["core"] == "KD"))

    assert found[0] == pytest.approx(found[1], abs=0.03)
    assert 1 - found[2] > 1.3 * (1 - found[1])


def test_zero_checks_of_two_of_a_kind_are_kept_and_not_weighed(bench: Caller) -> None:
    used = [{"instrument": instrument(bench)["id"], "zero_before": "0.0001"} for _ in range(2)]

    record = measured(bench, {"instruments": used})

    assert len(record["messages"]) == 2
    assert all("do not count in the answer" in each for each in record["messages"])
    assert [each["zero_before"] for each in record["instruments"]] == ["0.0001", "0.0001"]
    readings = bench.get(f"/v1/submissions/{record['shaft']['submission']}").get_json()["submission"]["readings"]
    assert len(readings) == 2


def test_readings_of_a_warm_shaft_are_brought_to_20_degrees_and_kept_as_read(bench: Caller) -> None:
    tool = instrument(bench)
    conditions = {"instruments": [{"instrument": tool["id"]}], "temperature": "20", "shaft_temperature": "36"}

    record = measured(bench, conditions)

    # 1.2089 in of grey cast iron, 10.8e-6 per K over 16 K: 0.00021 in (handbook coefficient)
    height, base = record["corrections"]
    assert (height["reading"], height["as_read"]) == ("/readings/0", ["1.2089", "1.2090"])
    assert height["at_20_c"] == ["1.20869", "1.20879"]
    assert base["at_20_c"] == ["0.86095"]
    assert "2 readings were corrected to 20 °C" in record["messages"][0]
    readings = bench.get(f"/v1/submissions/{record['shaft']['submission']}").get_json()["submission"]["readings"]
    assert [each["values"] for each in readings] == [height["at_20_c"], base["at_20_c"]]


def test_it_is_said_when_the_temperature_does_not_matter(bench: Caller) -> None:
    record = measured(bench, {"temperature": "24"})

    assert record["corrections"] == []
    assert record["shaft_temperature_c"] == "24"
    assert "does not matter" in record["messages"][0]
    readings = bench.get(f"/v1/submissions/{record['shaft']['submission']}").get_json()["submission"]["readings"]
    assert readings[0]["values"] == ["1.2089", "1.2090"]


@pytest.mark.parametrize(
    ("conditions", "pointer"),
    [
        ({"instruments": [{"instrument": "00000000-0000-0000-0000-000000000001"}]}, "/bench/instruments/0/instrument"),
        ({"shaft_temperature": "30"}, "/bench/temperature"),
        ({"metal": "brass"}, "/bench/metal"),
        ({"instruments": [{}]}, "/bench/instruments/0/instrument"),
    ],
)
def test_conditions_that_cannot_be_are_refused_with_the_member_at_fault(
    bench: Caller, conditions: Json, pointer: str
) -> None:
    shaft = Shaft(bench)
    shaft.tell("received")

    answer = shaft.tell("measured", bench=conditions)

    assert answer.status_code == 422
    assert [each["pointer"] for each in answer.get_json()["errors"]] == [pointer]
    assert len(bench.get(shaft.path).get_json()["events"]) == 2


def test_an_instrument_out_of_use_or_named_twice_is_refused(bench: Caller) -> None:
    old, good = instrument(bench), instrument(bench)
    bench.post(f"/v1/bench/instruments/{old['id']}/retirement", {"reason": "Worn."})
    shaft = Shaft(bench)
    shaft.tell("received")
    used = [{"instrument": each["id"]} for each in (old, good, good)]

    answer = shaft.tell("measured", bench={"instruments": used})

    assert [each["pointer"] for each in answer.get_json()["errors"]] == [
        "/bench/instruments/0/instrument",
        "/bench/instruments/2/instrument",
    ]


def test_conditions_belong_to_measuring_alone(bench: Caller) -> None:
    answer = Shaft(bench).tell("received", bench={"temperature": "20"})

    assert answer.status_code == 422
    assert answer.get_json()["errors"][0]["pointer"] == "/bench"


def test_a_customer_sees_nothing_of_the_bench(bench: Caller, widget: Caller) -> None:
    shaft = Shaft(widget)
    desk = Shaft.__new__(Shaft)
    desk.caller, desk.path = bench, shaft.path
    desk.tell("received")
    assert desk.tell("measured", bench={"temperature": "20", "measured_by": "POISON"}).status_code == 200

    assert "POISON" not in widget.get(shaft.path).get_data(as_text=True)


def test_kept_lift_tables_say_that_their_indicator_was_overdue(bench: Caller, scant: Json) -> None:
    late = instrument(bench, kind="dial_indicator", resolution="0.0005", calibration=RUN_OUT)
    sheet = copy.deepcopy(LIFT_TABLE_EXAMPLES["a_bench"]["value"])
    submission = bench.submit(scant)["id"]
    used = [{"instrument": late["id"], "zero_before": "0", "zero_after": "0.0002"}]

    answer = bench.post(
        "/v1/lift-tables", sheet | {"submission": submission, "bench": {"instruments": used, "temperature": "23"}}
    )

    assert answer.status_code == 201
    record = answer.get_json()["kept"]["bench"]
    assert "ran out on" in record["messages"][0]
    assert "does not matter" in record["messages"][2]
    assert record["corrections"] == []
    assert bench.get(answer.headers["Location"]).get_json()["kept"]["bench"] == record
    (listed,) = bench.get(f"/v1/cases/{submission}").get_json()["lift_tables"]
    assert listed["bench"] == record
    (said,) = overdue_advice(bench, submission)
    assert late["name"] in said
    assert "had no calibration in date on the day" in letter_of(bench, submission)

    more = {"unit": "in", "readings": [{"feature": "journal_diameter", "position": "front", "values": ["0.7500"]}]}
    assert bench.post(f"/v1/submissions/{submission}/readings", more).status_code == 200
    assert overdue_advice(bench, submission) == [said]
    withdrawn = bench.post(f"{answer.headers['Location']}/withdrawal", {"reason": "Of another shaft."})
    assert withdrawn.status_code == 200
    assert overdue_advice(bench, submission) == []
    assert "calibration" not in letter_of(bench, submission)


def letter_of(caller: Caller, submission: str) -> str:
    """The letter that goes with a submission's answer."""
    return caller.get(f"/v1/submissions/{submission}/letter.html").get_data(as_text=True)


def overdue_advice(caller: Caller, submission: str) -> list[str]:
    """What a submission's answer says of instruments that were overdue."""
    found = caller.get(f"/v1/submissions/{submission}").get_json()["advice"]
    return [each["message"] for each in found if each["code"] == "instrument_overdue"]


def test_lift_tables_of_a_warm_shaft_count_as_they_would_be_at_20_degrees_and_are_kept_as_read(
    bench: Caller, scant: Json
) -> None:
    fine = instrument(bench, kind="dial_indicator", resolution="0.0001")
    sheet = copy.deepcopy(LIFT_TABLE_EXAMPLES["a_bench"]["value"])
    warm = {"instruments": [{"instrument": fine["id"]}], "temperature": "20", "shaft_temperature": "60"}
    plain = bench.post("/v1/lift-tables", sheet).get_json()

    found = bench.post("/v1/lift-tables", sheet | {"submission": bench.submit(scant)["id"], "bench": warm}).get_json()

    # 40 K of cast iron at 10.8e-6: 432 micrometres per metre, 3.4 micrometres on a lift of some 0.31 in
    record = found["kept"]["bench"]
    tables = [row for row in record["corrections"] if row["reading"].endswith("/table")]
    assert [row["reading"] for row in tables] == ["/lobes/0/table", "/lobes/1/table"]
    for row, before, after in zip(tables, plain["lobes"], found["lobes"], strict=True):
        assert float(row["at_20_c"][0]) / float(row["as_read"][0]) == pytest.approx(1 / (1 + 40 * 10.8e-6), abs=2e-6)
        lost = float(before["lift"]["value"]) - float(after["lift"]["value"])
        assert lost == pytest.approx(float(before["lift"]["value"]) * 432e-6, abs=1.5e-5)
    assert "brought to 20 °C" in record["messages"][-1]
    for sent, back in zip(sheet["lobes"], found["sent"]["lobes"], strict=True):
        assert [lift for _, lift in back["table"]] == [lift for _, lift in sent["table"]]


def test_a_bench_s_record_belongs_to_lift_tables_that_are_kept(bench: Caller) -> None:
    sheet = LIFT_TABLE_EXAMPLES["a_bench"]["value"]

    answer = bench.post("/v1/lift-tables", sheet | {"bench": {"temperature": "20"}})

    assert answer.status_code == 422
    assert answer.get_json()["errors"][0]["pointer"] == "/bench"


def test_the_database_changes_no_calibration_and_no_record_of_the_bench(
    bench: Caller, scant: Json, api_settings: Settings
) -> None:
    instrument(bench)
    sheet = copy.deepcopy(LIFT_TABLE_EXAMPLES["a_bench"]["value"])
    body = {"submission": bench.submit(scant)["id"], "bench": {"temperature": "20"}}
    assert bench.post("/v1/lift-tables", sheet | body).status_code == 201
    with psycopg.connect(api_settings.database_url or "") as connection:
        for change in (
            "UPDATE instrument_calibrations SET due_on = due_on + 1",
            "DELETE FROM instrument_calibrations",
            "UPDATE lift_tables SET bench = '{}' WHERE bench IS NOT NULL",
        ):
            with pytest.raises(psycopg.errors.IntegrityConstraintViolation), connection.transaction():
                connection.execute(change)
