"""The `.xlsx` form of a catalogue: sheets `cores`, `parts` and, where there are lift tables, `lift_tables`.

A workbook is a zip of XML: what it unpacks to is limited before anything is unpacked, and XML entities are refused
(openpyxl reads through defusedxml where that is installed, which this package asks for).
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from datetime import date, time, timedelta
from decimal import Decimal
from typing import Any

import openpyxl
from openpyxl.cell.cell import ERROR_CODES
from openpyxl.utils.exceptions import InvalidFileException

from service.catalogue_files.cells import MOST_COLUMNS, Grid
from service.catalogue_files.checked import Checked, checked
from service.catalogue_files.csv_form import check_sheets
from service.catalogue_files.faults import FaultList
from service.catalogue_files.rows import OnProgress
from service.catalogue_files.sheet_document import SheetDocument

MOST_UNPACKED = 512 * 1024 * 1024
MOST_SHARED_TEXT = 64 * 1024 * 1024
"""Text that cells share is held whole while a workbook is read."""
MOST_MEMBERS = 1000
MOST_ROWS = 1_048_576

_ERRORS = frozenset({*ERROR_CODES, "#SPILL!", "#CALC!"})
_FORMULA_WITHOUT_RESULT = re.compile(rb"<f(?:\s[^>]*)?(?:/>|>[^<]*</f>)(?:<v\s*/>|<v></v>)?</c>")


def check_workbook(data: bytes, told: OnProgress | None = None) -> Checked:
    """Read a catalogue from a workbook. Numbers are taken to the 15 digits a spreadsheet itself keeps."""
    faults = FaultList(lambda path: document.place(path), lambda path: document.value(path))
    try:
        reason = _unfit(data)
        if reason is not None:
            faults.add_at("", reason)
            return checked(None, faults)
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
        grids = {
            name: _grid(book, name, faults) for name in ("cores", "parts", "lift_tables") if name in book.sheetnames
        }
    # openpyxl says of a broken workbook whatever the part that is missing or malformed makes it say
    except (InvalidFileException, zipfile.BadZipFile, KeyError, ValueError, TypeError, AttributeError, IndexError,
            SyntaxError, OSError, EOFError, NotImplementedError) as error:  # fmt: skip
        faults.add_at("", f"is no workbook that can be read ({type(error).__name__})")
        return checked(None, faults)
    for name in ("cores", "parts"):
        if name not in grids:
            faults.add_at(name, "the workbook has no sheet of this name")
            grids[name] = Grid(name)
    document = SheetDocument(grids["cores"], grids["parts"], grids.get("lift_tables"), faults)
    return check_sheets(document, faults, told)


def _unfit(data: bytes) -> str | None:
    """Why a workbook is not opened at all."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = archive.infolist()
        if len(members) > MOST_MEMBERS or sum(member.file_size for member in members) > MOST_UNPACKED:
            return f"would unpack to more than {MOST_UNPACKED // 1024**2} MiB, or {MOST_MEMBERS} files"
        if any("sharedStrings" in member.filename and member.file_size > MOST_SHARED_TEXT for member in members):
            return f"holds more than {MOST_SHARED_TEXT // 1024**2} MiB of text"
        for member in members:
            if member.filename.startswith("xl/worksheets/") and _has_formula_without_result(archive, member):
                return "has formulas whose results are not stored; open it in a spreadsheet and save it again"
    return None


def _has_formula_without_result(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> bool:
    kept = b""
    with archive.open(member) as sheet:
        while block := sheet.read(1 << 20):
            if _FORMULA_WITHOUT_RESULT.search(kept + block):
                return True
            kept = block[-2000:]
    return False


def _grid(book: Any, name: str, faults: FaultList) -> Grid:
    grid, sheet = Grid(name), book[name]
    # the size that a sheet states of itself is not to be relied on
    sheet.reset_dimensions()
    for line, row in enumerate(_rows(sheet), 1):
        cells = []
        for i, value in enumerate(row):
            try:
                cells.append(_text(value))
            except ValueError as error:
                title = grid.titles[i] if i < len(grid.titles) else ""
                faults.add_at(f"{name}:{line}" + (f":{title}" if title else ""), str(error), str(value))
                grid.told.add((len(grid), title))
                cells.append(str(value))
        while cells and not cells[-1]:
            cells.pop()
        if not cells:
            continue
        if not grid.titles:
            grid.title_line = line
            grid.titles.extend(cells)
            if len(cells) > MOST_COLUMNS:
                faults.add_at(f"{name}:{line}", f"has more than {MOST_COLUMNS} columns")
                break
        else:
            grid.add(line, cells, faults)
    return grid


def _rows(sheet: Any) -> Iterator[tuple[object, ...]]:
    yield from sheet.iter_rows(max_col=MOST_COLUMNS + 1, max_row=MOST_ROWS, values_only=True)


def _text(value: object) -> str:
    """A cell as text; raises ValueError for what cannot be meant."""
    if value is None:
        return ""
    if isinstance(value, str):
        if value in _ERRORS:
            raise ValueError("is an error of the spreadsheet's")
        return value.strip()
    if isinstance(value, bool):
        raise ValueError("is true or false, not a value")
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return f"{Decimal(f'{value:.15g}'):f}"
    if isinstance(value, date | time | timedelta):
        raise ValueError("is a date or a time: the spreadsheet took a number for one")
    raise ValueError("is neither a number nor text")
