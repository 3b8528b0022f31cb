"""The JSON form of a catalogue: what it becomes, and that everything wrong with it is named."""

from __future__ import annotations

import contextlib
import json
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.catalogue_files import CatalogueFaults, read_json
from service.domain.catalogue import FollowerKind, Journal, LiftTable, PartStatus, StatedDuration, Tolerance
from service.domain.readings import LobeKind, Position
from service.domain.units import LengthUnit
from tests.catalogues import Json, catalogue, core, lobe, part, plain_lobe, with_value, without


def faults_of(document: Any) -> dict[str, str]:
    """What is wrong with a document, by pointer."""
    with pytest.raises(CatalogueFaults) as caught:
        read_json(document if isinstance(document, bytes) else json.dumps(document).encode())
    found = [(fault.pointer, fault.detail) for fault in caught.value.faults]
    assert len(dict(found)) == len(found), found
    return dict(found)


def test_a_core_becomes_a_core_in_millimetres() -> None:
    read = read_json(catalogue()).cores[0]
    assert read.code == "C1"
    assert read.engine_families == ("Family one",)
    assert read.gear_teeth == 28
    assert read.overall_length_mm == 130.048
    assert read.journals == (
        Journal(Position.FRONT, 19.05, Tolerance(0.0127, 0.0)),
        Journal(Position.REAR, 19.05, None),
    )
    assert read.unit is LengthUnit.INCH


def test_a_part_becomes_a_part_in_millimetres() -> None:
    read = read_json(catalogue()).parts[0]
    intake = read.lobes[LobeKind.INTAKE]
    assert (read.part_number, read.core, read.title, read.units_sold) == ("P-1", "C1", "A grind", 120)
    assert read.lobe_separation_cam_deg == 108.0
    assert (intake.lift_mm, intake.base_circle_mm, intake.lash_mm) == (7.9502, 21.8694, 0.1524)
    assert intake.rocker_ratio == 1.1
    assert intake.lift_tolerance == Tolerance(0.0254, 0.0508)
    assert intake.base_circle_tolerance == Tolerance(0.0508, 0.0508)
    assert intake.durations == (StatedDuration(0.508, 262.5), StatedDuration(1.27, 232.0))
    assert intake.lift_table == LiftTable(
        FollowerKind.FLAT, ((-4.0, 7.90956), (-2.0, 7.94004), (0.0, 7.9502), (2.0, 7.94004), (4.0, 7.90956))
    )
    assert read.lobes[LobeKind.EXHAUST].durations == ()


def test_a_superseded_number_keeps_its_successor() -> None:
    read = read_json(catalogue()).parts[1]
    assert (read.status, read.superseded_by) == (PartStatus.SUPERSEDED, "P-1")


def test_a_successor_alone_says_that_a_number_is_superseded() -> None:
    old = without(part(part_number="P-0", superseded_by="P-1"), "status")
    assert read_json(catalogue(parts=[part(), old])).parts[1].status is PartStatus.SUPERSEDED


def test_text_and_read_json_give_the_same_catalogue() -> None:
    assert read_json(catalogue()) == read_json(json.dumps(catalogue()).encode())


def test_a_byte_order_mark_is_no_part_of_the_text() -> None:
    assert read_json(b"\xef\xbb\xbf" + json.dumps(catalogue()).encode()) == read_json(catalogue())


def test_only_what_is_required_has_to_be_stated() -> None:
    least = {
        "cores": [{"code": "C", "name": "N", "journals": [{"position": "middle", "diameter": 0.75}]}],
        "parts": [{"part_number": "P", "core": "C", "lobes": {"exhaust": {"lift": 0.3, "base_circle": 0.9}}}],
    }
    read = read_json(least)
    assert read.parts[0].lobes.keys() == {LobeKind.EXHAUST}
    assert read.parts[0].status is PartStatus.CURRENT
    assert read.cores[0].unit is LengthUnit.INCH


def test_a_core_or_a_part_may_state_its_own_unit() -> None:
    metric = {"intake": plain_lobe("7.95", "21.87", durations=[{"checking_lift": "1.00", "crank_degrees": 235}])}
    read = read_json(
        catalogue(
            cores=[core(unit="mm", overall_length="130", journals=[{"position": "front", "diameter": "19.05"}])],
            parts=[part(part_number="P-2", unit="mm", lobes=metric), part()],
        )
    )
    assert read.cores[0].journals[0].diameter_mm == 19.05
    assert read.cores[0].overall_length_mm == 130.0
    assert read.parts[0].lobes[LobeKind.INTAKE].durations == (StatedDuration(1.0, 235.0),)
    assert (read.parts[0].unit, read.parts[1].unit) == (LengthUnit.MILLIMETRE, LengthUnit.INCH)


@given(st.integers(2_000_000, 25_000_000))
def test_an_inch_is_exactly_25_4_millimetres(ten_millionths: int) -> None:
    """International yard of 1959: 0.9144 m exactly, so 25.4 mm an inch."""
    inches = Decimal(ten_millionths) / 10**7
    read = read_json(catalogue(cores=[core(journals=[{"position": "front", "diameter": str(inches)}])]))
    assert Decimal(repr(read.cores[0].journals[0].diameter_mm)) == inches * Decimal("25.4")


def test_a_number_and_a_decimal_string_mean_the_same() -> None:
    as_number = with_value(catalogue(), "parts/0/lobes/intake/lift", 0.3130)
    assert read_json(as_number) == read_json(catalogue())


def test_crank_degrees_of_a_lift_table_are_brought_to_cam_degrees() -> None:
    table = {"follower": {"kind": "roller", "radius": "0.5"}, "angle": "crank", "table": [[0, "0.313"], [3, "0.3129"]]}
    read = read_json(with_value(catalogue(), "parts/0/lobes/intake/lift_table", table))
    found = read.parts[0].lobes[LobeKind.INTAKE].lift_table
    assert found is not None
    assert [angle for angle, _ in found.points] == [0.0, 1.5]
    assert (found.follower, found.roller_radius_mm) == (FollowerKind.ROLLER, 12.7)


def test_durations_may_come_in_any_order() -> None:
    turned = with_value(catalogue(), "parts/0/lobes/intake/durations", lobe()["durations"][::-1])
    assert read_json(turned) == read_json(catalogue())


INTAKE = "parts/0/lobes/intake"

BAD_VALUES: list[tuple[str, Any, str]] = [
    ("unit", "cm", "must be one of in, mm"),
    ("cores", {}, "must be a list"),
    ("cores", [], "is empty"),
    ("parts", [], "is empty"),
    ("cores/0", "KD", "must be an object"),
    ("cores/0/code", "", "is missing"),
    ("cores/0/code", 5, "must be a line of text"),
    ("cores/0/code", "C" * 41, "at most 40 characters"),
    ("cores/0/name", "two\nlines", "must be a line of text"),
    ("cores/0/name", None, "is missing"),
    ("cores/0/unit", "inch", "must be one of in, mm"),
    ("cores/0/engine_families", "Family", "must be a list"),
    ("cores/0/engine_families/0", "", "must be a line of text"),
    ("cores/0/gear_teeth", 28.5, "whole number from 4 to 400"),
    ("cores/0/gear_teeth", "28", "whole number from 4 to 400"),
    ("cores/0/gear_teeth", True, "whole number from 4 to 400"),
    ("cores/0/gear_teeth", 0, "whole number from 4 to 400"),
    ("cores/0/overall_length", "-5", "must be over zero"),
    ("cores/0/overall_length", "130", "no size for a camshaft's length"),
    ("cores/0/journals", [], "at least one journal"),
    ("cores/0/journals/0/position", "centre", "must be one of front, middle, rear"),
    ("cores/0/journals/1/position", "front", "has been stated before"),
    ("cores/0/journals/0/diameter", "0.75mm", "must be a plain decimal"),
    ("cores/0/journals/0/diameter", "1e0", "must be a plain decimal"),
    ("cores/0/journals/0/diameter", "0,75", "must be a plain decimal"),
    ("cores/0/journals/0/diameter", "٠.75", "must be a plain decimal"),
    ("cores/0/journals/0/diameter", "0.7500000000001", "must be a plain decimal"),
    ("cores/0/journals/0/diameter", "0." + "7" * 40, "must be a plain decimal"),
    ("cores/0/journals/0/diameter", True, "must be a plain decimal"),
    ("cores/0/journals/0/diameter", ["0.75"], "must be a plain decimal"),
    ("cores/0/journals/0/diameter", 1e300, "must be a plain decimal"),
    ("cores/0/journals/0/diameter", "0", "must be over zero"),
    ("cores/0/journals/0/diameter", "-0.75", "must be over zero"),
    ("cores/0/journals/0/diameter", "19.05", "is the unit right?"),
    ("cores/0/journals/0/diameter", None, "is missing"),
    ("cores/0/journals/0/minus", "-0.0005", "must not be negative"),
    ("cores/0/journals/0/minus", None, "is missing"),
    ("cores/0/journals/0/plus", None, "is missing"),
    ("cores/0/journals/0/plus", "1", "no size for a limit"),
    ("parts/0", None, "must be an object"),
    ("parts/0/part_number", " ", "is missing"),
    ("parts/0/part_number", "/P", "must not begin or end with /"),
    ("parts/0/part_number", "P/../1", "a step of dots"),
    ("parts/0/core", "C2", "there is no core C2"),
    ("parts/0/title", "t" * 301, "at most 300 characters"),
    ("parts/0/status", "sold out", "must be one of current, superseded, discontinued"),
    ("parts/0/status", [], "must be one of"),
    ("parts/1/status", "discontinued", "a part that is discontinued has no successor"),
    ("parts/1/superseded_by", "P-9", "there is no part number P-9"),
    ("parts/0/units_sold", -1, "whole number from 0"),
    ("parts/0/lobe_separation", "0", "must be over zero"),
    ("parts/0/lobe_separation", "360", "must be less than 360"),
    ("parts/0/lobe_separation", "108.0005", "at most 3 decimals"),
    ("parts/0/lobes", {}, "at least one of intake and exhaust"),
    ("parts/0/lobes", {"intake": None}, "at least one of intake and exhaust"),
    ("parts/0/lobes", [], "must be an object"),
    ("parts/0/lobes/exhaust", "same", "must be an object"),
    (f"{INTAKE}/lift", "0", "must be over zero"),
    (f"{INTAKE}/base_circle", None, "is missing"),
    (f"{INTAKE}/base_circle", "21.87", "is the unit right?"),
    (f"{INTAKE}/base_circle", "0.310", "is not below the base circle"),
    (f"{INTAKE}/lash", "-0.006", "must not be negative"),
    (f"{INTAKE}/lash", "0.6", "no size for a lash"),
    (f"{INTAKE}/rocker_ratio", "0", "must be over zero"),
    (f"{INTAKE}/rocker_ratio", "15", "must be less than 10"),
    (f"{INTAKE}/tolerances", "0.001", "must be an object"),
    (f"{INTAKE}/tolerances/lift/minus", "-0.001", "must not be negative"),
    (f"{INTAKE}/tolerances/base_circle/plus", None, "is missing"),
    (f"{INTAKE}/durations/0/checking_lift", "0.313", "must be below the lobe's lift"),
    (f"{INTAKE}/durations/0/checking_lift", None, "is missing"),
    (f"{INTAKE}/durations/0/checking_lift", "0.0500", "has been stated before"),
    (f"{INTAKE}/durations/1/crank_degrees", "262.5", "must be shorter than that at any lower checking lift"),
    (f"{INTAKE}/durations/0/crank_degrees", "720", "must be less than 720"),
    (f"{INTAKE}/durations/0", 232, "must be an object"),
    (f"{INTAKE}/lift_table/follower/kind", "knife", "must be one of flat, roller, point"),
    (f"{INTAKE}/lift_table/follower/kind", "roller", "is missing"),
    (f"{INTAKE}/lift_table/follower/radius", "0.5", "only a roller has a radius"),
    (f"{INTAKE}/lift_table/angle", "degrees", "must be one of crank, cam"),
    (f"{INTAKE}/lift_table/table", [[0, "0.3130"]], "must have 2 to 1500 rows"),
    (f"{INTAKE}/lift_table/table/0", [0], "must be a pair"),
    (f"{INTAKE}/lift_table/table/1/0", -4, "angles must rise"),
    (f"{INTAKE}/lift_table/table/2/0", 0.5, "must have a row for angle 0"),
    (f"{INTAKE}/lift_table/table/4/0", 357, "more than one turn"),
    (f"{INTAKE}/lift_table/table/2/1", "0.3100", "is not the stated lift"),
    (f"{INTAKE}/lift_table/table/3/1", "0.3160", "angle 0 must be the nose"),
    (f"{INTAKE}/lift_table/table/4/1", "-0.0100", "lies below the base circle"),
    (f"{INTAKE}/lift_table/table/4/1", "flat", "must be a plain decimal"),
]

ELSEWHERE = {
    f"{INTAKE}/base_circle=0.310": f"/{INTAKE}/lift",
    f"{INTAKE}/durations/0/checking_lift=0.0500": f"/{INTAKE}/durations/1",
    f"{INTAKE}/durations/1/crank_degrees=262.5": f"/{INTAKE}/durations/1",
    f"{INTAKE}/lift_table/follower/kind=roller": f"/{INTAKE}/lift_table/follower/radius",
    f"{INTAKE}/lift_table/table/2/0=0.5": f"/{INTAKE}/lift_table/table",
    f"{INTAKE}/lift_table/table/4/0=357": f"/{INTAKE}/lift_table/table",
    "parts/1/status=discontinued": "/parts/1/superseded_by",
}
"""Faults that show in another field than the one that was spoilt."""


@pytest.mark.parametrize(("path", "value", "detail"), BAD_VALUES, ids=[f"{p}={v!r}"[:80] for p, v, _ in BAD_VALUES])
def test_a_bad_value_is_named_by_its_pointer(path: str, value: Any, detail: str) -> None:
    faults = faults_of(with_value(catalogue(), path, value))
    pointer = ELSEWHERE.get(f"{path}={value}", f"/{path}")
    assert pointer in faults, faults
    assert detail in faults[pointer]


REQUIRED = [
    "cores", "parts", "cores/0/code", "cores/0/name", "cores/0/journals", "cores/0/journals/0/position",
    "cores/0/journals/0/diameter", "parts/0/part_number", "parts/0/core", "parts/0/lobes", f"{INTAKE}/lift",
    f"{INTAKE}/base_circle", f"{INTAKE}/durations/0/checking_lift", f"{INTAKE}/durations/0/crank_degrees",
    f"{INTAKE}/lift_table/follower", f"{INTAKE}/lift_table/table", f"{INTAKE}/lift_table/follower/kind",
]  # fmt: skip


@pytest.mark.parametrize("path", REQUIRED)
def test_a_missing_field_is_named(path: str) -> None:
    assert faults_of(without(catalogue(), path))[f"/{path}"] == "is missing"


OBJECTS = [
    "", "cores/0", "cores/0/journals/0", "parts/0", "parts/0/lobes", INTAKE, f"{INTAKE}/tolerances",
    f"{INTAKE}/tolerances/lift", f"{INTAKE}/durations/0", f"{INTAKE}/lift_table", f"{INTAKE}/lift_table/follower",
]  # fmt: skip


@pytest.mark.parametrize("path", OBJECTS)
def test_an_unknown_field_is_named(path: str) -> None:
    spoilt = with_value(catalogue(), f"{path}/rouge" if path else "rouge", 1)
    assert faults_of(spoilt) == {f"/{path}/rouge" if path else "/rouge": "unknown field"}


def test_a_misspelt_field_is_pointed_at_the_one_it_resembles() -> None:
    spoilt = with_value(catalogue(), f"{INTAKE}/base_circel", "0.861")
    assert faults_of(spoilt) == {f"/{INTAKE}/base_circel": "unknown field; did you mean base_circle?"}


def test_a_pointer_escapes_what_json_pointers_escape() -> None:
    """RFC 6901, section 3: `~` is written `~0` and `/` is written `~1`."""
    assert list(faults_of(catalogue() | {"a/b~c": 1})) == ["/a~1b~0c"]


def test_every_fault_is_named_and_not_only_the_first() -> None:
    spoilt = catalogue()
    for path in ("cores/0/journals/0/diameter", f"{INTAKE}/lift", "parts/1/lobes/exhaust/base_circle"):
        spoilt = with_value(spoilt, path, "thick")
    spoilt = with_value(spoilt, "parts/1/core", "C7")
    assert faults_of(spoilt).keys() == {
        "/cores/0/journals/0/diameter",
        "/parts/0/lobes/intake/lift",
        "/parts/1/lobes/exhaust/base_circle",
        "/parts/1/core",
    }


def test_part_numbers_and_core_codes_stand_once() -> None:
    faults = faults_of(catalogue(cores=[core(), core()], parts=[part(), part()]))
    assert faults == {
        "/cores/1/code": "core C1 stands at /cores/0/code already",
        "/parts/1/part_number": "part number P-1 stands at /parts/0/part_number already",
    }


def test_supersession_must_not_run_in_a_circle() -> None:
    ring = [
        part(part_number=name, status="superseded", superseded_by=after)
        for name, after in (("A", "B"), ("B", "C"), ("C", "B"), ("D", "D"))
    ]
    faults = faults_of(catalogue(parts=[*ring, part()]))
    assert faults == {
        "/parts/1/superseded_by": "supersession runs in a circle: B > C > B",
        "/parts/2/superseded_by": "supersession runs in a circle: B > C > B",
        "/parts/3/superseded_by": "supersession runs in a circle: D > D",
    }


@pytest.mark.parametrize(
    "text",
    [
        b"", b"{", b"[1,]", b'{"unit": NaN}', b'{"unit": 1e400}', b'{"unit": "\\ud800"}', b"\xff\xfe",
        b"[" * 200_000, b'{"unit": ' + b"9" * 5000 + b"}",
    ],
    ids=["empty", "open", "comma", "nan", "1e400", "surrogate", "not utf-8", "nested", "endless integer"],
)  # fmt: skip
def test_what_is_not_json_is_refused_as_such(text: bytes) -> None:
    (pointer,) = faults_of(text)
    assert pointer == ""


@pytest.mark.parametrize("document", [b"null", b"[]", b'"text"', b"5"])
def test_a_catalogue_is_an_object(document: bytes) -> None:
    assert faults_of(document) == {"": "must be an object"}


_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=6,
)
_PLACES = [path for path, _, _ in BAD_VALUES]


@given(st.sampled_from(_PLACES), _JSON)
def test_no_value_anywhere_raises_anything_but_faults(path: str, value: Any) -> None:
    document: Json = with_value(catalogue(), path, value)
    with contextlib.suppress(CatalogueFaults):
        assert read_json(document).parts
