"""A sheet's plain rows are read at once, and say what they say when every row is checked field by field."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable

from hypothesis import given, settings
from hypothesis import strategies as st

from fixtures.make_catalogue import generate
from service.catalogue_files import read_json
from service.catalogue_files.cells import grid_of_text
from service.catalogue_files.columns import CORE_COLUMNS, PART_COLUMNS
from service.catalogue_files.faults import FaultList
from service.catalogue_files.rows import read_document
from service.catalogue_files.sheet_document import SheetDocument
from service.catalogue_files.written import written_csv
from service.domain.catalogue import Catalogue, Part
from service.domain.errors import Fault

CORES = "code,name,journal.front.diameter\nC1,First core,0.7500\n"

CELLS: dict[str, list[str]] = {
    "part_number": ["A", "B-2", "C/3", "/D", "E/", "..", "", "x" * 61],
    "core": ["C1", "C1", "C1", "C2", ""],
    "unit": ["", "in", "mm", "cm"],
    "title": ["", "Street grind", "two\nlines", "x" * 301],
    "status": ["", "current", "superseded", "discontinued", "Sold"],
    "superseded_by": ["", "", "A", "B-2", "nobody"],
    "units_sold": ["", "0", "12", "-1", "1.5", "2000000001", "1,000"],
    "lobe_separation": ["", "108", "108.5", "0", "360", "108.1234"],
    "intake.lift": ["0.3130", "0.344", "8.1", "", "0.9", "0,313", "lift"],
    "intake.base_circle": ["0.8610", "22.1", "", "0.31", "0.313"],
    "intake.lash": ["", "0", "0.006", "0.2"],
    "intake.rocker_ratio": ["", "1.1", "0", "10"],
    "intake.tolerances.lift.minus": ["", "0.001", "0.2"],
    "intake.tolerances.lift.plus": ["", "0.001", "0"],
    "intake.duration_0.050": ["", "232", "228", "720"],
    "intake.duration_0.006": ["", "262", "232", "0"],
    "intake.duration_0.05": ["", "", "", "232"],
    "exhaust.lift": ["", "0.3130"],
    "exhaust.base_circle": ["", "0.8610"],
    "exhaust.lift_table.follower.kind": ["", "", "", "flat"],
    "": ["", "", "", "stray"],
}
LIFT_TABLE = "part_number,lobe,angle,lift\nA,intake,-20,0\nA,intake,0,0.3130\nA,intake,20,0\n"


def read(
    parts: str, tables: str | None, plainly: Callable[[SheetDocument], Callable[[int], Part | None] | None]
) -> tuple[Catalogue | None, tuple[Fault, ...]]:
    faults = FaultList(lambda path: document.place(path), lambda path: document.value(path))
    document = SheetDocument(
        grid_of_text("cores.csv", CORES.encode(), CORE_COLUMNS, faults),
        grid_of_text("parts.csv", parts.encode(), PART_COLUMNS, faults),
        None if tables is None else grid_of_text("lift_tables.csv", tables.encode(), PART_COLUMNS, faults),
        faults,
    )
    return read_document(document.document, faults, None, plainly(document)), faults.all


@st.composite
def sheets(draw: st.DrawFn) -> str:
    """A few rows under some of the columns, most cells as they should be."""
    titles = draw(st.lists(st.sampled_from(list(CELLS)), unique=True, min_size=4))
    titles = ["part_number", "core", "intake.lift", "intake.base_circle", *titles]
    titles = draw(st.permutations(list(dict.fromkeys(titles))))
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(titles)
    for number in range(draw(st.integers(1, 4))):
        usual = {"part_number": f"P-{number}"}
        spoilt = draw(st.sets(st.sampled_from(titles), max_size=3))
        writer.writerow(
            draw(st.sampled_from(CELLS[title])) if title in spoilt else usual.get(title, CELLS[title][0])
            for title in titles
        )
    return out.getvalue()


@given(sheets(), st.booleans())
@settings(max_examples=300)
def test_a_sheet_says_the_same_read_plainly_and_field_by_field(sheet: str, with_table: bool) -> None:
    tables = LIFT_TABLE if with_table else None

    assert read(sheet, tables, lambda document: document.plain_part) == read(sheet, tables, lambda _: None)


def test_what_is_written_out_is_plain() -> None:
    whole = read_json(generate(3, seed=7, parts_per_core=25))
    files = written_csv(whole)
    faults = FaultList(lambda _: "")
    document = SheetDocument(
        grid_of_text("cores.csv", files["cores.csv"].encode(), CORE_COLUMNS, faults),
        grid_of_text("parts.csv", files["parts.csv"].encode(), PART_COLUMNS, faults),
        None,
        faults,
    )

    assert tuple(document.plain_part(i) for i in range(len(whole.parts))) == whole.parts
