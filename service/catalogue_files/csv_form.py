"""The CSV form of a catalogue: `cores.csv`, `parts.csv` and, where there are lift tables, `lift_tables.csv`."""

from __future__ import annotations

from service.catalogue_files.cells import grid_of_text
from service.catalogue_files.checked import Checked, checked
from service.catalogue_files.columns import CORE_COLUMNS, LIFT_TABLE_COLUMNS, PART_COLUMNS
from service.catalogue_files.corrected import corrected_csv
from service.catalogue_files.faults import FaultList
from service.catalogue_files.rows import OnProgress, read_document
from service.catalogue_files.sheet_document import SheetDocument
from service.domain.catalogue import Catalogue


def read_csv(cores: bytes, parts: bytes, lift_tables: bytes | None = None) -> Catalogue:
    """Read a catalogue from its CSV files; raises `CatalogueFaults`."""
    return check_csv(cores, parts, lift_tables).taken()


def check_csv(cores: bytes, parts: bytes, lift_tables: bytes | None = None, told: OnProgress | None = None) -> Checked:
    """Read a catalogue from its CSV files as spreadsheets write them; `cells` and `numbers` have the rules."""
    faults = FaultList(lambda path: document.place(path), lambda path: document.value(path))
    document = SheetDocument(
        grid_of_text("cores.csv", cores, CORE_COLUMNS, faults),
        grid_of_text("parts.csv", parts, PART_COLUMNS, faults),
        None if lift_tables is None else grid_of_text("lift_tables.csv", lift_tables, LIFT_TABLE_COLUMNS, faults),
        faults,
    )
    return check_sheets(document, faults, told)


def check_sheets(document: SheetDocument, faults: FaultList, told: OnProgress | None) -> Checked:
    """Check a document of sheets."""
    catalogue = read_document(document.document, faults, told, document.plain_part)
    remarks = tuple(f"{sheet.name}: {remark}" for sheet in document.sheets for remark in sheet.grid.remarks)
    return checked(catalogue, faults, remarks, corrected_csv(document.sheets))
