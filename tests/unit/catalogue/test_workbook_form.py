"""The `.xlsx` form of a catalogue, in workbooks made here."""

from __future__ import annotations

import csv
import datetime
import io
import re
import zipfile
from typing import Any

import openpyxl
import pytest

from service.catalogue_files import Checked, read_json
from service.catalogue_files.workbook_form import MOST_UNPACKED, check_workbook
from tests.catalogues import catalogue
from tests.unit.catalogue.test_csv_form import CORES, FEW_PARTS, PARTS, TABLES


def as_number(cell: str) -> Any:
    """A cell as a person who types into a spreadsheet has it: numbers are numbers."""
    return float(cell) if re.fullmatch(r"-?[0-9]+(\.[0-9]+)?", cell) else (cell or None)


def workbook(cores: str = CORES, parts: str = PARTS, tables: str | None = TABLES, **cells: Any) -> bytes:
    """A workbook of those sheets; `cells` set cells of `parts` anew, such as D2=..."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, text in (("cores", cores), ("parts", parts), ("lift_tables", tables)):
        if text is None:
            continue
        sheet = book.create_sheet(name)
        for i, row in enumerate(csv.reader(io.StringIO(text))):
            sheet.append(row if i == 0 else [as_number(cell) for cell in row])
    for place, value in cells.items():
        book["parts"][place] = value
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def faults_of(data: bytes) -> dict[str, str]:
    found: Checked = check_workbook(data)
    assert found.catalogue is None
    return {fault.pointer: fault.detail for fault in found.faults}


def test_a_workbook_gives_the_same_catalogue_as_json() -> None:
    assert check_workbook(workbook()).taken() == read_json(catalogue())


def test_text_cells_with_decimal_commas_are_read_by_the_same_rule() -> None:
    few = FEW_PARTS + "P-1,C1,,,,,\n"
    assert check_workbook(workbook(parts=few, tables=None, C2="0,313", D2="0,861")).taken().parts[0].lobes


def test_a_fault_is_named_by_sheet_row_and_column_and_shows_the_cell() -> None:
    few = FEW_PARTS + "P-1,C1,0.313,0.861,232,,\nP-2,C1,0.313,thick,232,,\n"
    (fault,) = check_workbook(workbook(parts=few, tables=None)).faults
    assert (fault.pointer, fault.value) == ("parts:3:intake.base_circle", "thick")  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (datetime.date(2026, 3, 13), "date"),
        (datetime.time(3, 13), "date"),
        (True, "true or false"),
        ("#REF!", "error of the spreadsheet"),
        (1 / 3, "8"),
    ],
)
def test_what_is_no_number_in_a_number_s_place_is_a_fault(value: Any, said: str) -> None:
    few = FEW_PARTS + "P-1,C1,0.313,0.861,232,,\n"
    found = faults_of(workbook(parts=few, tables=None, C2=value))
    assert said in found["parts:2:intake.lift"]


def test_a_number_comes_in_the_digits_the_spreadsheet_shows() -> None:
    few = FEW_PARTS + "P-1,C1,0.313,0.861,232,,\n"
    found = check_workbook(workbook(parts=few, tables=None, C2=0.1 + 0.2)).taken()
    assert next(iter(found.parts[0].lobes.values())).lift_mm == 7.62


def test_a_formula_whose_result_is_not_stored_is_a_fault() -> None:
    few = FEW_PARTS + "P-1,C1,0.313,0.861,232,,\n"
    found = faults_of(workbook(parts=few, tables=None, E2="=200+32"))
    assert "formulas whose results are not stored" in found[""]


def test_a_workbook_without_its_sheets_says_which() -> None:
    book = openpyxl.Workbook()
    out = io.BytesIO()
    book.save(out)
    assert {"cores", "parts"} <= faults_of(out.getvalue()).keys()


@pytest.mark.parametrize(
    "data",
    [b"", b"PK\x03\x04", b"not a workbook", workbook()[:2000]],
    # a workbook holds when it was written, and would be another test to every process
    ids=["nothing", "a beginning", "text", "half a workbook"],
)
def test_what_is_no_workbook_is_a_fault(data: bytes) -> None:
    assert "is no workbook" in faults_of(data)[""]


def rezipped(data: bytes, name: str, text: bytes) -> bytes:
    """The workbook with one of its members in other words."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for member in old.namelist():
            new.writestr(member, text if member == name else old.read(member))
    return out.getvalue()


def test_a_workbook_that_would_unpack_to_too_much_is_not_unpacked() -> None:
    bomb = io.BytesIO(workbook())
    with zipfile.ZipFile(bomb, "a", zipfile.ZIP_DEFLATED) as archive, archive.open("xl/media/a", "w") as member:
        for _ in range(MOST_UNPACKED // 2**20 + 1):
            member.write(bytes(2**20))
    assert len(bomb.getvalue()) < 2**20
    assert "would unpack to more than" in faults_of(bomb.getvalue())[""]


def test_entities_in_a_workbook_are_refused() -> None:
    laughs = b'<?xml version="1.0"?><!DOCTYPE w [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;">]><workbook>&b;</workbook>'
    assert "is no workbook" in faults_of(rezipped(workbook(), "xl/workbook.xml", laughs))[""]


def test_a_cell_far_out_costs_no_more_than_a_fault() -> None:
    far = (
        b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
        b'<row r="1"><c r="A1" t="inlineStr"><is><t>code</t></is></c></row>'
        b'<row r="2"><c r="XFD2"><v>1</v></c></row></sheetData></worksheet>'
    )
    assert "cores:1:name" in faults_of(rezipped(workbook(), "xl/worksheets/sheet1.xml", far))
