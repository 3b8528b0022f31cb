"""The sheets of a catalogue written anew in the contract's CSV form.

Safe changes alone: UTF-8, commas between cells, decimal points, no blanks round a cell, no line breaks in titles, plain
column names with their units. A cell that could mean two things stays as it was written, for a person to settle.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable
from functools import partial

from service.catalogue_files.columns import RUNNING_TEXT, Column
from service.catalogue_files.sheets import Sheet, on_one_line


def corrected_csv(sheets: Iterable[Sheet]) -> dict[str, Callable[[], str]]:
    """For each sheet, by a name that ends in `.csv`, what writes it."""
    return {f"{sheet.name.removesuffix('.csv')}.csv": partial(_written, sheet) for sheet in sheets}


def _written(sheet: Sheet) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    # what a spreadsheet leaves behind to the right: columns without a title and without a cell
    filled = {i for cells in sheet.grid.rows() for i, cell in enumerate(cells) if cell}
    kept = [i for i, column in enumerate(sheet.columns) if column.title or i in filled]
    writer.writerow(_title(sheet.columns[i]) for i in kept)
    for cells in sheet.grid.rows():
        writer.writerow(_cell(sheet, sheet.columns[i], cells[i]) for i in kept if i < len(cells))
    return out.getvalue()


def _title(column: Column) -> str:
    return column.name if column.unit is None else f"{column.name}_{column.unit}"


def _cell(sheet: Sheet, column: Column, cell: str) -> str:
    if column.name in RUNNING_TEXT:
        return on_one_line(cell)
    if not column.is_number:
        return cell
    try:
        return sheet.mark.plain(cell)
    except ValueError:
        return cell
