"""A catalogue written out and read again is the same catalogue, and written out again the same bytes."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fixtures.make_catalogue import generate
from service.catalogue_files import read_csv, read_json
from service.catalogue_files.difference import Became, difference
from service.catalogue_files.written import written_csv, written_json
from service.domain.catalogue import Catalogue
from service.domain.errors import InvalidInput
from tests.catalogues import catalogue, core, lobe, part, plain_lobe, with_value

FIXTURES = Path(__file__).parents[3] / "fixtures"


def from_csv(sheets: dict[str, str]) -> Catalogue:
    files = {name: text.encode() for name, text in sheets.items()}
    return read_csv(files["cores.csv"], files["parts.csv"], files.get("lift_tables.csv"))


def decimals(low: str, high: str, most: int) -> st.SearchStrategy[str]:
    """Decimals as a supplier may write them, to any number of places up to `most`."""
    return st.integers(1, most).flatmap(
        lambda places: st.decimals(Decimal(low), Decimal(high), places=places, allow_nan=False).map(lambda d: f"{d:f}")
    )


@st.composite
def lobes(draw: st.DrawFn, unit: str) -> dict[str, Any]:
    """A lobe of any sizes that can be: in inches to eight decimals, in millimetres to eight."""
    inch = unit == "in"
    lift = draw(decimals("0.2", "0.5", 8) if inch else decimals("5", "13", 8)).rstrip(".")
    if inch and Decimal(lift) < Decimal("0.1"):
        lift = "0.3"
    base_circle = draw(decimals("1.1", "2", 8) if inch else decimals("20", "50", 8))
    made: dict[str, Any] = {"lift": lift, "base_circle": base_circle}
    if draw(st.booleans()):
        made["lash"] = draw(decimals("0", "0.05", 8))
    if draw(st.booleans()):
        made["rocker_ratio"] = draw(decimals("1", "2", 5))
    if draw(st.booleans()):
        made["tolerances"] = {"lift": {"minus": draw(decimals("0", "0.05", 8)), "plus": "0"}}
    if draw(st.booleans()):
        at = ("0.02", "0.05") if inch else ("0.5", "1.27")
        made["durations"] = [
            {"checking_lift": at[0], "crank_degrees": draw(decimals("241", "300", 3))},
            {"checking_lift": at[1], "crank_degrees": draw(decimals("200", "240", 3))},
        ]
    if draw(st.booleans()):
        kind = draw(st.sampled_from(["flat", "point", "roller"]))
        follower = {"kind": kind} | ({"radius": "0.5" if inch else "12.7"} if kind == "roller" else {})
        made["lift_table"] = {
            "follower": follower,
            "angle": draw(st.sampled_from(["cam", "crank"])),
            "table": [["-2.5", lift], ["0", lift], [draw(decimals("0.5", "300", 3)), "0"]],
        }
    return made


words = st.text("aZ9é µ;,\"'-=+&<1.ß漢", min_size=1, max_size=20).map(str.strip).filter(bool)


@st.composite
def catalogues(draw: st.DrawFn) -> dict[str, Any]:
    """A catalogue of two cores and a few parts, in either unit, with anything stated or left out."""
    rear = {"position": "rear", "diameter": draw(decimals("10", "60", 8))}
    metric = {
        "code": "C2",
        "name": draw(words),
        "unit": "mm",
        "journals": [rear, {"position": "front", "diameter": "25"}],
    }
    cores = [core(code="C1", name=draw(words)), metric]
    parts: list[dict[str, Any]] = []
    for i in range(draw(st.integers(1, 4))):
        unit = draw(st.sampled_from(["in", "mm"]))
        kinds = draw(st.sampled_from([("intake",), ("exhaust",), ("intake", "exhaust")]))
        made = {"part_number": f"P-{i}", "core": draw(st.sampled_from(["C1", "C2"])), "unit": unit}
        made |= {"lobes": {kind: draw(lobes(unit)) for kind in kinds}}
        if draw(st.booleans()):
            made |= {"title": draw(words), "units_sold": draw(st.integers(0, 10**9))}
        if draw(st.booleans()):
            made["lobe_separation"] = draw(decimals("90", "120", 3))
        if i and draw(st.booleans()):
            made |= {"status": "superseded", "superseded_by": "P-0"}
        parts.append(made)
    return {"cores": cores, "parts": parts}


@given(catalogues())
def test_a_catalogue_written_out_and_read_again_is_the_same(document: dict[str, Any]) -> None:
    read = read_json(document)
    assert read_json(written_json(read)) == read
    assert from_csv(written_csv(read)) == read
    assert written_json(read_json(written_json(read))) == written_json(read)
    assert written_csv(from_csv(written_csv(read))) == written_csv(read)


@pytest.mark.parametrize("document", [(FIXTURES / "catalogue.json").read_bytes(), generate(12, seed=4)])
def test_the_invented_catalogues_come_back_as_they_were(document: Any) -> None:
    read = read_json(document)
    assert read_json(written_json(read)) == read
    assert from_csv(written_csv(read)) == read


def test_a_family_that_csv_cannot_hold_is_refused() -> None:
    read = read_json(catalogue(cores=[core(engine_families=["one; and two"])]))
    with pytest.raises(InvalidInput, match="core C1 holds a semicolon"):
        written_csv(read)


def test_a_catalogue_differs_from_itself_in_nothing() -> None:
    read = read_json(catalogue())
    assert difference(read, read) == ()


def test_what_came_what_went_and_what_changed_is_told_field_by_field() -> None:
    before = read_json(catalogue(parts=[part(), part(part_number="P-2"), part(part_number="P-3")]))
    changed = part(part_number="P-2", title="Another", units_sold=None)
    changed["lobes"]["intake"]["lift"] = "0.3150"
    changed["lobes"]["intake"].pop("lift_table")
    after = read_json(catalogue(parts=[part(part_number="P-4"), changed, part()]))
    added, two, gone = difference(before, after)
    assert (added.words, gone.words) == ("part P-4 added", "part P-3 removed")
    assert two.became is Became.CHANGED
    assert [(f.field, f.before, f.after) for f in two.fields][:3] == [
        ("title", "A grind", "Another"),
        ("units_sold", "120", None),
        ("intake.lift", "0.3130", "0.3150"),
    ]
    assert two.fields[3].field == "intake.lift_table"
    assert "intake.lift is 0.3150, and was 0.3130" in two.words
    assert "units_sold is no longer stated, and was 120" in two.words


def test_a_part_stated_in_the_other_unit_has_changed_its_unit_alone() -> None:
    inches = read_json(catalogue(parts=[part(lobes={"intake": plain_lobe()})]))
    metric = read_json(catalogue(parts=[part(unit="mm", lobes={"intake": plain_lobe("7.9502", "21.8694")})]))
    (change,) = difference(inches, metric)
    assert change.words == "part P-1 changed: unit is mm, and was in"


def test_a_core_that_changed_is_told_before_the_parts() -> None:
    before = read_json(catalogue())
    after = read_json(with_value(catalogue(parts=[part(lobes={"intake": lobe()})]), "cores/0/gear_teeth", 30))
    assert [(change.kind, change.name) for change in difference(before, after)] == [
        ("core", "C1"),
        ("part", "P-1"),
        ("part", "P-0"),
    ]
