"""From sheets of rows and named columns to a catalogue document, and from a place in the document back to its cell.

Column names are the document's names joined by dots: `intake.lift`, `intake.tolerances.lift.minus`,
`intake.duration_0.050` (the checking lift in the row's unit), `journal.front.diameter`; a list is joined by `;`.
The kind of follower of a lift table is `intake.lift_table.follower.kind`, flat where nothing is said.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, TypeAlias

from service.catalogue_files.faults import FaultList, Path
from service.domain.readings import LobeKind, Position

Row: TypeAlias = dict[str, Any]

_CORE_NAMES = ("code", "name", "unit", "engine_families", "gear_teeth", "overall_length")
_PART_NAMES = ("part_number", "core", "unit", "title", "status", "superseded_by", "units_sold", "lobe_separation")
_LOBE_NAMES = (
    "lift", "base_circle", "lash", "rocker_ratio",
    "tolerances.lift.minus", "tolerances.lift.plus", "tolerances.base_circle.minus", "tolerances.base_circle.plus",
    "lift_table.follower.kind", "lift_table.follower.radius", "lift_table.angle",
)  # fmt: skip
_DURATION = "duration_"
_WHOLE_NUMBERS = ("gear_teeth", "units_sold")

CORE_COLUMNS = (*_CORE_NAMES, *(f"journal.{p}.{name}" for p in Position for name in ("diameter", "minus", "plus")))
PART_COLUMNS = (*_PART_NAMES, *(f"{kind}.{name}" for kind in LobeKind for name in _LOBE_NAMES))
LIFT_TABLE_COLUMNS = ("part_number", "lobe", "angle", "lift")


@dataclass
class Sheet:
    """One sheet: its column names and its rows, each with the line it stands on."""

    name: str
    header: list[str]
    rows: list[tuple[int, list[str]]]
    header_line: int = 1

    def cells(self, cells: list[str]) -> Iterator[tuple[str, str]]:
        """The named cells of a row that are not empty."""
        return ((name, cell) for name, cell in zip(self.header, cells, strict=False) if name and cell)


class SheetDocument:
    """The document of a catalogue's sheets. What is wrong with the sheets themselves is added to `faults`."""

    def __init__(self, cores: Sheet, parts: Sheet, lift_tables: Sheet | None, faults: FaultList) -> None:
        self._sheets = {"cores": cores, "parts": parts}
        self._faults = faults
        self._table_lines: dict[tuple[int, str], list[int]] = {}
        self._table_name = "" if lift_tables is None else lift_tables.name
        for sheet, columns, needed in (
            (cores, CORE_COLUMNS, ("code", "name")),
            (parts, PART_COLUMNS, ("part_number", "core")),
        ):
            self._check_columns(sheet, columns, needed)
        self.document: Row = {
            "cores": [self._core(cells) for _, cells in cores.rows],
            "parts": [self._part(cells) for _, cells in parts.rows],
        }
        if lift_tables is not None:
            self._check_columns(lift_tables, LIFT_TABLE_COLUMNS, LIFT_TABLE_COLUMNS)
            self._add_tables(lift_tables)

    def place(self, path: Path) -> str:
        """The `file:line:column` of a path into the document."""
        name, row, *rest = (*path, None, None)[: max(len(path), 2)]
        sheet = self._sheets.get(str(name))
        if sheet is None:
            return ""
        if not isinstance(row, int):
            return sheet.name
        line, cells = sheet.rows[row]
        if len(rest) >= 5 and rest[2] == "lift_table" and rest[3] == "table" and isinstance(rest[4], int):
            line = self._table_lines[row, str(rest[1])][rest[4]]
            column = "" if len(rest) < 6 else f":{LIFT_TABLE_COLUMNS[2:][int(rest[5] or 0)]}"
            return f"{self._table_name}:{line}{column}"
        column = self._column(sheet, cells, rest)
        return f"{sheet.name}:{line}" + (f":{column}" if column else "")

    @staticmethod
    def _column(sheet: Sheet, cells: list[str], rest: list[str | int | None]) -> str:
        steps = [str(step) for step in rest]
        if steps[:1] == ["journals"] and len(steps) > 1:
            steps[:2] = ["journal", _positions(sheet, cells)[int(steps[1])]]
        elif steps[:1] == ["engine_families"]:
            steps = steps[:1]
        elif steps[:1] == ["lobes"]:
            steps = steps[1:]
            if steps[1:2] == ["durations"] and len(steps) > 2:
                return _durations(sheet, cells, steps[0])[int(steps[2])][0]
        return ".".join(steps)

    def _check_columns(self, sheet: Sheet, known: tuple[str, ...], needed: tuple[str, ...]) -> None:
        at = f"{sheet.name}:{sheet.header_line}"
        seen: set[str] = set()
        for column in filter(None, sheet.header):
            if column in seen:
                self._faults.add_at(f"{at}:{column}", "this column is there twice")
            elif column not in known and not _is_duration(column, known):
                close = difflib.get_close_matches(column, known, n=1)
                hint = f"; did you mean {close[0]}?" if close else ""
                self._faults.add_at(f"{at}:{column}", f"unknown column{hint}")
            seen.add(column)
        for column in needed:
            if column not in seen:
                self._faults.add_at(f"{at}:{column}", "this column is missing")
        for line, cells in sheet.rows:
            if any(cell for i, cell in enumerate(cells) if i >= len(sheet.header) or not sheet.header[i]):
                self._faults.add_at(f"{sheet.name}:{line}", "has a cell under no column name")

    def _core(self, cells: list[str]) -> Row:
        sheet = self._sheets["cores"]
        row: Row = {}
        journals: dict[str, Row] = {}
        for name, cell in sheet.cells(cells):
            if name == "engine_families":
                row[name] = [family for family in (part.strip() for part in cell.split(";")) if family]
            elif name in _CORE_NAMES:
                row[name] = _value(name, cell)
            elif name in CORE_COLUMNS:
                _, position, what = name.split(".")
                journals.setdefault(position, {"position": position})[what] = cell
        if journals:
            row["journals"] = [journals[position] for position in _positions(sheet, cells)]
        return row

    def _part(self, cells: list[str]) -> Row:
        sheet = self._sheets["parts"]
        row: Row = {}
        lobes: Row = {}
        for name, cell in sheet.cells(cells):
            if name in _PART_NAMES:
                row[name] = _value(name, cell)
            elif name in PART_COLUMNS:
                kind, *steps, last = name.split(".")
                target = lobes.setdefault(kind, {})
                for step in steps:
                    target = target.setdefault(step, {})
                target[last] = cell
            elif _is_duration(name, PART_COLUMNS):
                lobes.setdefault(name.partition(".")[0], {})
        for kind, lobe in lobes.items():
            durations = _durations(sheet, cells, kind)
            if durations:
                lobe["durations"] = [
                    {"checking_lift": name.partition(_DURATION)[2], "crank_degrees": cell} for name, cell in durations
                ]
        return row | {"lobes": lobes}

    def _add_tables(self, sheet: Sheet) -> None:
        parts = {part.get("part_number"): i for i, part in reversed(list(enumerate(self.document["parts"])))}
        for line, cells in sheet.rows:
            row = dict(sheet.cells(cells))
            at = f"{sheet.name}:{line}"
            number, kind = row.get("part_number"), row.get("lobe")
            part = parts.get(number) if number else None
            if part is None:
                self._faults.add_at(
                    f"{at}:part_number", f"there is no part number {number}" if number else "is missing"
                )
            elif kind is None or kind not in self.document["parts"][part]["lobes"]:
                self._faults.add_at(f"{at}:lobe", f"part {number} has no {kind} lobe" if kind else "is missing")
            elif "angle" not in row or "lift" not in row:
                self._faults.add_at(at, "must have an angle and a lift")
            else:
                table = self.document["parts"][part]["lobes"][kind].setdefault("lift_table", {})
                table.setdefault("follower", {}).setdefault("kind", "flat")
                table.setdefault("table", []).append([row["angle"], row["lift"]])
                self._table_lines.setdefault((part, kind), []).append(line)


def _value(name: str, cell: str) -> str | int:
    """A cell's value: a number where the document has one."""
    return int(cell) if name in _WHOLE_NUMBERS and re.fullmatch("[0-9]{1,12}", cell) else cell


def _is_duration(column: str, known: tuple[str, ...]) -> bool:
    kind, _, name = column.partition(".")
    return known is PART_COLUMNS and kind in tuple(LobeKind) and name.startswith(_DURATION)


def _durations(sheet: Sheet, cells: list[str], kind: str) -> list[tuple[str, str]]:
    """The duration columns that a row fills for one lobe, and what they hold."""
    return [(name, cell) for name, cell in sheet.cells(cells) if name.startswith(f"{kind}.{_DURATION}")]


def _positions(sheet: Sheet, cells: list[str]) -> list[str]:
    """The journals that a row says anything of, front first."""
    said = {
        name.split(".")[1] for name, _ in sheet.cells(cells) if name.startswith("journal.") and name in CORE_COLUMNS
    }
    return [position for position in Position if position in said]
