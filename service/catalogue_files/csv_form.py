"""The CSV form of a catalogue: `cores.csv`, `parts.csv` and, where there are lift tables, `lift_tables.csv`."""

from __future__ import annotations

import csv
import io

from service.catalogue_files.faults import FaultList
from service.catalogue_files.rows import read_document
from service.catalogue_files.sheets import Sheet, SheetDocument
from service.domain.catalogue import Catalogue


def read_csv(cores: bytes, parts: bytes, lift_tables: bytes | None = None) -> Catalogue:
    """Read a catalogue from its CSV files; raises `CatalogueFaults`.

    UTF-8, with or without a byte order mark; comma-separated; blank rows and blanks round a cell do not count.
    """
    faults = FaultList(lambda path: document.place(path))
    document = SheetDocument(
        _read_sheet("cores.csv", cores, faults),
        _read_sheet("parts.csv", parts, faults),
        None if lift_tables is None else _read_sheet("lift_tables.csv", lift_tables, faults),
        faults,
    )
    return read_document(document.document, faults)


def _read_sheet(name: str, data: bytes, faults: FaultList) -> Sheet:
    sheet = Sheet(name, [], [])
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        faults.add_at(f"{name}:{line}", "is not UTF-8 text")
        return sheet
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    line = 1
    try:
        for cells in reader:
            cells = [cell.strip() for cell in cells]
            if any(cells):
                if sheet.header:
                    sheet.rows.append((line, cells))
                else:
                    sheet.header_line = line
                    sheet.header.extend(cells)
            line = reader.line_num + 1
    except csv.Error as error:
        faults.add_at(f"{name}:{line}", f"is not CSV: {error}")
    return sheet
