"""Which form some files are in, by their names: a JSON file, a workbook, or the sheets as CSV."""

from __future__ import annotations

from collections.abc import Mapping

from service.catalogue_files.checked import Checked
from service.catalogue_files.csv_form import check_csv
from service.catalogue_files.json_form import check_json
from service.catalogue_files.rows import OnProgress
from service.domain.errors import InvalidInput

WORKBOOK_LIMIT = 64 * 1024 * 1024
"""Largest workbook that is opened, in bytes."""

WHAT_THERE_MAY_BE = "one .json file, one .xlsx workbook, or the sheets as .csv: cores, parts and perhaps lift_tables"

_SHEETS = ("lift", "part", "core")
"""What a sheet's file has in its name; the first that fits."""


def check_files(files: Mapping[str, bytes], told: OnProgress | None = None) -> Checked:
    """Read the catalogue in some files, by their names; raises `InvalidInput` where they are not what they may be."""
    suffixes = {name: name.lower().rpartition(".")[2] for name in files}
    for name, suffix in suffixes.items():
        if suffix == "xls":
            raise InvalidInput(f"{name} is a workbook of the old sort: save it as .xlsx.")
        if suffix not in ("json", "xlsx", "xlsm", "csv"):
            raise InvalidInput(f"{name} cannot be read; give {WHAT_THERE_MAY_BE}.")
    if files and all(suffix == "csv" for suffix in suffixes.values()):
        sheets = _by_sheet(files)
        return check_csv(sheets["core"], sheets["part"], sheets.get("lift"), told)
    if len(files) != 1:
        raise InvalidInput(f"These files are not one catalogue; give {WHAT_THERE_MAY_BE}.")
    [(name, data)] = files.items()
    if suffixes[name] == "json":
        return check_json(data, told)
    if len(data) > WORKBOOK_LIMIT:
        raise InvalidInput(f"{name} is larger than {WORKBOOK_LIMIT // 1024**2} MiB; export its sheets as CSV.")
    from service.catalogue_files.workbook_form import check_workbook  # here, because its library is slow to import

    return check_workbook(data, told)


def _by_sheet(files: Mapping[str, bytes]) -> dict[str, bytes]:
    found: dict[str, str] = {}
    for name in files:
        sheet = next((sheet for sheet in _SHEETS if sheet in name.lower()), None)
        if sheet is None:
            raise InvalidInput(f"{name} could be any sheet: call it cores.csv, parts.csv or lift_tables.csv.")
        if sheet in found:
            raise InvalidInput(f"{found[sheet]} and {name} are the same sheet; give one of them.")
        found[sheet] = name
    for sheet in ("core", "part"):
        if sheet not in found:
            raise InvalidInput(f"{sheet}s.csv is missing; a catalogue has both, cores.csv and parts.csv.")
    return {sheet: files[name] for sheet, name in found.items()}
