"""One sheet's rows as named values: decimals brought to points, sizes to the row's unit, the rest as it stands."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from typing import NamedTuple, TypeAlias

from service.catalogue_files.cells import Grid
from service.catalogue_files.columns import (
    RUNNING_TEXT,
    WHOLE_NUMBERS,
    Column,
    column_of,
    is_duration,
)
from service.catalogue_files.faults import FaultList
from service.catalogue_files.numbers import FAULTY, Faulty, decimal_mark_of, in_millimetres, is_point_decimal
from service.domain.units import LengthUnit

Value: TypeAlias = str | int | Faulty


class Cell(NamedTuple):
    """A filled cell: its column and its text, as it stands and as it is read."""

    column: Column
    written: str
    value: Value


def on_one_line(text: str) -> str:
    """Text whose line breaks are blanks."""
    return re.sub(r"[ \t]*[\r\n]+[ \t]*", " ", text)


def whole_number(text: str) -> int | str:
    """A whole number out of a cell; what is none stays as it is."""
    return int(text) if re.fullmatch("[0-9]{1,12}", text) else text


class Sheet:
    """The rows of one grid under `known` columns. What is wrong with its titles is added to `faults` at once, what is
    wrong with a row's cells when the row is read."""

    def __init__(self, grid: Grid, known: tuple[str, ...], needed: tuple[str, ...], faults: FaultList) -> None:
        self.grid = grid
        self.name = grid.name
        self._faults = faults
        plain = [column_of(title) for title in grid.titles]
        self.mark = decimal_mark_of(self._number_cells(plain))
        self.columns = [column_of(title, comma=self.mark.is_comma) for title in grid.titles]
        if self.mark.is_comma:
            grid.remarks.append("decimals are written with a comma")
        self._check_titles(known, needed)

    def __len__(self) -> int:
        return len(self.grid)

    def at(self, index: int, title: str = "") -> str:
        """The place of a row, or of one of its cells."""
        return f"{self.name}:{self.grid.lines[index]}" + (f":{title}" if title else "")

    def filled(self, index: int) -> Iterator[tuple[Column, str]]:
        """The filled cells of a row under a title, as they stand."""
        return (
            (column, cell)
            for column, cell in zip(self.columns, self.grid.row(index), strict=False)
            if column.name and cell
        )

    def unit_of(self, index: int) -> LengthUnit | None:
        """The unit a row is in: what its `unit` says; or else millimetres where any of its filled columns does."""
        said: LengthUnit | None = None
        for column, cell in self.filled(index):
            if column.name == "unit":
                return next((unit for unit in LengthUnit if unit.value == cell), None)
            if column.unit is not None and said is not LengthUnit.MILLIMETRE:
                said = column.unit
        return said

    def read(self, index: int, unit: LengthUnit | None) -> list[Cell]:
        """A row's cells, sizes in `unit`, which is the row's (inches where None); adds what is wrong with them."""
        cells: list[Cell] = []
        seen: dict[str, str] = {}
        row_unit = unit or LengthUnit.INCH
        for column, cell in zip(self.columns, self.grid.row(index), strict=False):
            if not cell:
                if self.grid.told and column.name and (index, column.title) in self.grid.told:
                    cells.append(Cell(column, cell, FAULTY))
                continue
            if not column.name:
                self._faults.add_at(self.at(index), "has a cell under no column name", cell)
                continue
            if column.name in seen:
                detail = f"is stated in the column {seen[column.name]} too: one of them must be empty"
                self._faults.add_at(self.at(index, column.title), detail, cell)
                continue
            seen[column.name] = column.title
            cells.append(self._cell(index, column, cell, row_unit))
        return cells

    def _cell(self, index: int, column: Column, cell: str, unit: LengthUnit) -> Cell:
        if self.grid.told and (index, column.title) in self.grid.told:
            return Cell(column, cell, FAULTY)
        try:
            if column.name in RUNNING_TEXT:
                return Cell(column, cell, on_one_line(cell))
            if not column.is_number:
                return Cell(column, cell, cell)
            value = self.mark.plain(cell)
            if column.name in WHOLE_NUMBERS:
                return Cell(column, cell, whole_number(value))
            if column.unit is not None and column.unit is not unit:
                if unit is LengthUnit.INCH:
                    raise ValueError(
                        f"is in millimetres and its row in inches: leave the row's unit out, or say {column.unit}"
                    )
                if column.is_size:
                    value = in_millimetres(value)
            return Cell(column, cell, value)
        except ValueError as error:
            self._faults.add_at(self.at(index, column.title), str(error), cell)
            return Cell(column, cell, FAULTY)

    def _number_cells(self, columns: list[Column]) -> Iterator[tuple[str, str]]:
        for column in columns:
            # A title with a point is one that was copied from the documentation, and says nothing of the cells.
            if is_duration(column.name) and "," in column.name:
                yield f"{self.name}:{self.grid.title_line}:{column.title}", column.name.rpartition("_")[2]
        numbers = [i for i, column in enumerate(columns) if column.is_number and column.name not in WHOLE_NUMBERS]
        pointed = False
        for index, line in enumerate(self.grid.lines):
            # once a decimal point was seen only a comma can say more, and most rows have none
            if pointed and not self.grid.holds(index, ","):
                continue
            cells = self.grid.row(index)
            for i in numbers:
                # where a point was seen, a cell without a comma says nothing more
                if i < len(cells) and cells[i] and not (pointed and "," not in cells[i]):
                    pointed = pointed or is_point_decimal(cells[i])
                    yield f"{self.name}:{line}:{columns[i].title}", cells[i]

    def _check_titles(self, known: tuple[str, ...], needed: tuple[str, ...]) -> None:
        at = f"{self.name}:{self.grid.title_line}"
        seen: set[tuple[str, LengthUnit | None]] = set()
        for column in self.columns:
            if not column.title:
                continue
            if (column.name, column.unit) in seen:
                self._faults.add_at(f"{at}:{column.title}", "this column is there twice")
            elif column.name not in known and not (is_duration(column.name) and "part_number" in needed):
                close = difflib.get_close_matches(column.name, known, n=1)
                hint = f"; did you mean {close[0]}?" if close else ""
                self._faults.add_at(f"{at}:{column.title}", f"unknown column{hint}")
            seen.add((column.name, column.unit))
        for name in needed:
            if not any(name == column.name for column in self.columns):
                self._faults.add_at(f"{at}:{name}", "this column is missing")
