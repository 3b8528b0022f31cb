"""From a catalogue's sheets to a document of the JSON form, row by row, and from a place in it back to its cell.

A list in a cell is joined by `;`. The kind of follower of a lift table is `intake.lift_table.follower.kind`, flat
where nothing is said.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from typing import Any, TypeAlias, overload

from service.catalogue_files.cells import Grid
from service.catalogue_files.columns import (
    CORE_COLUMNS,
    CORE_NAMES,
    DURATION,
    LIFT_TABLE_COLUMNS,
    MOST_TITLES,
    PART_COLUMNS,
    PART_NAMES,
    Column,
    is_duration,
)
from service.catalogue_files.faults import FaultList, Path
from service.catalogue_files.numbers import in_millimetres
from service.catalogue_files.plain_parts import PlainParts
from service.catalogue_files.sheets import Cell, Sheet
from service.domain.catalogue import Part
from service.domain.readings import Position
from service.domain.units import LengthUnit

Row: TypeAlias = dict[str, Any]


class LazyRows(Sequence[Row]):
    """The rows of a document, each made when it is asked for, so that never all of them are held."""

    def __init__(self, count: int, make: Callable[[int], Row]) -> None:
        self._count = count
        self._make = make

    def __len__(self) -> int:
        return self._count

    @overload
    def __getitem__(self, index: int) -> Row: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Row]: ...
    def __getitem__(self, index: int | slice) -> Row | Sequence[Row]:
        if isinstance(index, slice):
            return [self._make(i) for i in range(*index.indices(self._count))]
        if not 0 <= index < self._count:
            raise IndexError(index)
        return self._make(index)


class SheetDocument:
    """The document of a catalogue's sheets. What is wrong with the sheets is added to `faults`: with their titles and
    lift tables at once, with a row when it is read (read each once)."""

    def __init__(self, cores: Grid, parts: Grid, lift_tables: Grid | None, faults: FaultList) -> None:
        self._faults = faults
        self._cores = Sheet(cores, CORE_COLUMNS, ("code", "name"), faults)
        self._parts = Sheet(parts, PART_COLUMNS, ("part_number", "core"), faults)
        self._tables: dict[tuple[int, str], list[tuple[int, list[Any]]]] = defaultdict(list)
        self._table_sheet: Sheet | None = None
        if lift_tables is not None:
            self._table_sheet = Sheet(lift_tables, LIFT_TABLE_COLUMNS, LIFT_TABLE_COLUMNS, faults)
            self._add_tables(self._table_sheet)
        with_tables = {index for index, _ in self._tables}
        self._plain = PlainParts(self._parts, with_tables.__contains__)
        self.document: Row = {
            "cores": LazyRows(len(self._cores), self._core),
            "parts": LazyRows(len(self._parts), self._part),
        }

    def plain_part(self, index: int) -> Part | None:
        """The part of a row that has nothing out of the ordinary; None of any other."""
        return self._plain.part(index)

    @property
    def sheets(self) -> tuple[Sheet, ...]:
        """The sheets there are: cores, parts, and perhaps lift tables."""
        return (self._cores, self._parts, *(() if self._table_sheet is None else (self._table_sheet,)))

    def place(self, path: Path) -> str:
        """The `file:line:column` of a path into the document."""
        name, row, *rest = (*path, None, None)[: max(len(path), 2)]
        sheet = {"cores": self._cores, "parts": self._parts}.get(str(name))
        if sheet is None:
            return ""
        if not isinstance(row, int):
            return sheet.name
        table_row = self._table_row(row, rest)
        if table_row is not None and self._table_sheet is not None:
            title = "" if len(rest) < 6 else self._table_title(int(rest[5] or 0))
            return self._table_sheet.at(table_row, title)
        return sheet.at(row, self._title(sheet, row, rest))

    def value(self, path: Path) -> str | None:
        """What stands at a path, as it was written; None where it is no one cell."""
        if len(path) < 3 or not isinstance(path[1], int):
            return None
        sheet = {"cores": self._cores, "parts": self._parts}.get(str(path[0]))
        if sheet is None:
            return None
        row, rest = path[1], list(path[2:])
        table_row = self._table_row(row, rest)
        if table_row is not None and self._table_sheet is not None:
            title = self._table_title(int(rest[5])) if len(rest) > 5 else None
            sheet, row = self._table_sheet, table_row
        else:
            title = self._title(sheet, row, rest)
        return next((cell for column, cell in sheet.filled(row) if column.title == title), None)

    def _table_row(self, row: int, rest: Sequence[str | int | None]) -> int | None:
        if len(rest) >= 5 and rest[2] == "lift_table" and rest[3] == "table" and isinstance(rest[4], int):
            return self._tables[row, str(rest[1])][rest[4]][0]
        return None

    def _table_title(self, which: int) -> str:
        name = LIFT_TABLE_COLUMNS[2:][which]
        columns = () if self._table_sheet is None else self._table_sheet.columns
        return next((column.title for column in columns if column.name == name), name)

    @staticmethod
    def _title(sheet: Sheet, row: int, rest: Sequence[str | int | None]) -> str:
        """The title of the column a path leads to: the one the row fills, where several could hold it."""
        steps = [str(step) for step in rest]
        filled = [column for column, _ in sheet.filled(row)]
        if steps[:1] == ["journals"] and len(steps) > 1:
            steps[:2] = ["journal", _positions(filled)[int(steps[1])]]
        elif steps[:1] == ["engine_families"]:
            steps = steps[:1]
        elif steps[:1] == ["lobes"]:
            steps = steps[1:]
            if steps[1:2] == ["durations"] and len(steps) > 2:
                return [column for column in filled if _of_lobe(column, steps[0])][int(steps[2])].title
        name = ".".join(steps)
        return next((column.title for column in filled if column.name == name), name)

    def _core(self, index: int) -> Row:
        unit = self._cores.unit_of(index)
        row: Row = {} if unit is None else {"unit": unit.value}
        journals: dict[str, Row] = {}
        cells = self._cores.read(index, unit)
        for cell in cells:
            name = cell.column.name
            if name == "engine_families" and isinstance(cell.value, str):
                row[name] = [family for family in (part.strip() for part in cell.value.split(";")) if family]
            elif name in CORE_NAMES:
                row[name] = cell.value
            elif name in CORE_COLUMNS:
                _, position, what = name.split(".")
                journals.setdefault(position, {"position": position})[what] = cell.value
        if journals:
            row["journals"] = [journals[position] for position in _positions([cell.column for cell in cells])]
        return row

    def _part(self, index: int) -> Row:
        unit = self._parts.unit_of(index)
        row: Row = {} if unit is None else {"unit": unit.value}
        lobes: Row = {}
        for cell in self._parts.read(index, unit):
            name = cell.column.name
            if name in PART_NAMES:
                row[name] = cell.value
            elif is_duration(name):
                kind = name.partition(".")[0]
                lobes.setdefault(kind, {}).setdefault("durations", []).append(self._duration(index, cell, unit))
            elif name in PART_COLUMNS:
                kind, steps, last = _steps_of(name)
                target = lobes.setdefault(kind, {})
                for step in steps:
                    target = target.setdefault(step, {})
                target[last] = cell.value
        for kind, lobe in lobes.items():
            if (index, kind) in self._tables:
                table = lobe.setdefault("lift_table", {})
                table.setdefault("follower", {}).setdefault("kind", "flat")
                table["table"] = [point for _, point in self._tables[index, kind]]
        return row | {"lobes": lobes}

    def _duration(self, index: int, cell: Cell, unit: LengthUnit | None) -> Row:
        at = cell.column.name.partition(DURATION)[2]
        if cell.column.unit is LengthUnit.INCH and unit is LengthUnit.MILLIMETRE:
            try:
                at = in_millimetres(at)
            except ValueError as error:
                self._faults.add_at(self._parts.at(index, cell.column.title), f"its checking lift {error}", at)
        return {"checking_lift": at, "crank_degrees": cell.value}

    def _add_tables(self, sheet: Sheet) -> None:
        owners: dict[str, int] = {}
        for i, part_number in self._part_numbers():
            owners.setdefault(part_number, i)
        for index in range(len(sheet)):
            number, kind = (self._text(sheet, index, name) for name in ("part_number", "lobe"))
            owner = owners.get(number) if number else None
            if number is None or owner is None:
                detail = f"there is no part number {number}" if number else "is missing"
                self._faults.add_at(sheet.at(index, "part_number"), detail)
                continue
            if kind is None or not any(_in_lobe(column, kind) for column, _ in self._parts.filled(owner)):
                detail = f"part {number} has no {kind} lobe" if kind else "is missing"
                self._faults.add_at(sheet.at(index, "lobe"), detail)
                continue
            values = {cell.column.name: cell.value for cell in sheet.read(index, self._parts.unit_of(owner))}
            if "angle" in values and "lift" in values:
                self._tables[owner, kind].append((index, [values["angle"], values["lift"]]))
            else:
                self._faults.add_at(sheet.at(index), "must have an angle and a lift")

    def _part_numbers(self) -> Iterator[tuple[int, str]]:
        for i in range(len(self._parts)):
            number = self._text(self._parts, i, "part_number")
            if number is not None:
                yield i, number

    @staticmethod
    def _text(sheet: Sheet, index: int, name: str) -> str | None:
        return next((cell for column, cell in sheet.filled(index) if column.name == name), None)


@lru_cache(maxsize=MOST_TITLES)
def _steps_of(name: str) -> tuple[str, tuple[str, ...], str]:
    """A lobe's column by its steps: the lobe, what lies between, and the last."""
    kind, *steps, last = name.split(".")
    return kind, tuple(steps), last


def _of_lobe(column: Column, kind: str) -> bool:
    return is_duration(column.name) and column.name.startswith(f"{kind}.")


def _in_lobe(column: Column, kind: str) -> bool:
    return column.name.startswith(f"{kind}.") and (column.name in PART_COLUMNS or is_duration(column.name))


def _positions(columns: Sequence[Column]) -> list[str]:
    """The journals that a row says anything of, front first."""
    said = {column.name.split(".")[1] for column in columns if column.name in CORE_COLUMNS and "." in column.name}
    return [position for position in Position if position in said]
