"""Text as spreadsheets export it, brought to rows of cells: its encoding, its separator, quotes and blanks."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Protocol

from service.catalogue_files.columns import column_of
from service.catalogue_files.faults import FaultList

_SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
_MARKS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
_PACKED = "\x1f"
_NAMES = ("code", "part_number")
LONGEST_CELL = 100_000
MOST_COLUMNS = 256


class Rows(Protocol):
    """A reader of CSV: rows of cells, and the line it has come to."""

    line_num: int

    def __iter__(self) -> Iterator[list[str]]:
        """The rows."""
        ...


@dataclass
class Grid:
    """One sheet as it stands: titles, and rows of trimmed cells, each with the line it begins on.

    Rows are packed, so that a hundred thousand of them cost no more than their text. `remarks` say how it was read,
    `told` names cells (row's index, title) whose fault was told when the sheet was opened.
    """

    name: str
    titles: list[str] = field(default_factory=list)
    title_line: int = 1
    remarks: list[str] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    told: set[tuple[int, str]] = field(default_factory=set)
    _packed: list[str] = field(default_factory=list)

    def add(self, line: int, cells: list[str], faults: FaultList) -> None:
        """Add a row. One that is at fault as a whole stays all the same, so that the name it gives is known."""
        packed = _PACKED.join(cells)
        if len(cells) > len(self.titles) or packed.count(_PACKED) >= len(cells):
            packed = self._without_faults(line, cells, faults)
        self.lines.append(line)
        self._packed.append(packed)

    def _without_faults(self, line: int, cells: list[str], faults: FaultList) -> str:
        at, width = f"{self.name}:{line}", len(self.titles)
        if len(cells) > width:
            detail = f"has {len(cells)} cells under {width} columns"
            faults.add_at(at, f"{detail} (was a decimal comma taken for the end of a cell?)")
            # from some cell on each stands under its neighbour's title: nothing more can be said of any but the name
            self.told |= {(len(self), title) for title in self.titles if column_of(title).name not in _NAMES}
        if any(_PACKED in cell for cell in cells):
            faults.add_at(at, "holds a control character")
            cells = [cell.replace(_PACKED, " ") for cell in cells]
        return _PACKED.join(cells[:width])

    def __len__(self) -> int:
        return len(self.lines)

    def row(self, index: int) -> list[str]:
        """The cells of one row."""
        return self._packed[index].split(_PACKED)

    def holds(self, index: int, text: str) -> bool:
        """Whether a row has this anywhere."""
        return text in self._packed[index]

    def rows(self) -> Iterator[list[str]]:
        """Every row's cells, in order."""
        return (packed.split(_PACKED) for packed in self._packed)


def grid_of_text(name: str, data: bytes, known: Iterable[str], faults: FaultList) -> Grid:
    """The sheet in a text file. UTF-8, UTF-16 with its mark, or Windows-1252; commas, semicolons or tabs.

    The separator is the one that makes the most `known` columns of the first row.
    """
    grid = Grid(name)
    encoding = _encoding_of(grid, data, faults)
    if encoding is None:
        return grid
    # read as it goes: the whole text at once is four times the file
    with io.TextIOWrapper(io.BytesIO(data), encoding, newline="") as text:
        start, separator = _separator_of(text.read(LONGEST_CELL), frozenset(known))
        if separator != ",":
            grid.remarks.append(f"cells are parted by {_SEPARATORS.get(separator, separator)}")
        text.seek(0)
        before = text.read(start).count("\n")
        _fill(grid, csv.reader(text, delimiter=separator, strict=True), before, faults)
    return grid


def _fill(grid: Grid, reader: Rows, before: int, faults: FaultList) -> None:
    line = before + 1
    try:
        for row in reader:
            cells = list(map(str.strip, row))
            if any(cells):
                if not grid.titles:
                    grid.title_line = line
                    grid.titles.extend(cells)
                    if len(cells) > MOST_COLUMNS:
                        faults.add_at(f"{grid.name}:{line}", f"has more than {MOST_COLUMNS} columns")
                        return
                else:
                    grid.add(line, cells, faults)
            line = before + reader.line_num + 1
    except csv.Error as error:
        faults.add_at(f"{grid.name}:{line}", f"is not CSV: {error}")


def _encoding_of(grid: Grid, data: bytes, faults: FaultList) -> str | None:
    """How all of the data can be read; None after adding to `faults` where it cannot."""
    encoding = next((name for mark, name in _MARKS if data.startswith(mark)), None)
    try:
        data.decode(encoding or "utf-8")
        return encoding or "utf-8"
    except UnicodeDecodeError as error:
        if encoding is not None:
            faults.add_at(grid.name, f"begins as {encoding.removesuffix('-sig').upper()} and is not")
            return None
        line = data.count(b"\n", 0, error.start) + 1
    try:
        data.decode("cp1252")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        faults.add_at(f"{grid.name}:{line}", "is neither UTF-8 nor Windows-1252 text")
        return None
    grid.remarks.append(f"read as Windows-1252: line {line} is not UTF-8")
    return "cp1252"


def _separator_of(head: str, known: frozenset[str]) -> tuple[int, str]:
    """Where the rows begin and what parts their cells, by how the text begins.

    A spreadsheet may say so itself, in a first line `sep=;`.
    """
    first, newline, _ = head.partition("\n")
    stated = first.strip().removeprefix('"').removesuffix('"')
    if newline and stated[:4].lower() == "sep=" and len(stated) == 5:
        return len(first) + 1, stated[4]

    def columns(separator: str) -> int:
        try:
            for cells in csv.reader(io.StringIO(head, newline=""), delimiter=separator):
                if any(cell.strip() for cell in cells):
                    return sum(column_of(cell.strip()).name in known for cell in cells)
        except csv.Error:
            pass
        return 0

    return 0, max(_SEPARATORS, key=columns)
