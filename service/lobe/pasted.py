"""Lift tables as text: pasted from a sheet or a CSV file.

One row a line; commas, semicolons, tabs or spaces between; a line of words first names the columns. Without names the
columns are an angle and a lift. With names: `angle` and `lift`, or `angle` and one column a lobe (`intake`, `exhaust`,
`intake_2` for the second cylinder's), or `lobe`, `angle` and `lift`, one lobe after the other.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from service.domain.errors import Fault
from service.lobe.lift_table import MOST_ROWS, BadTable

Row = tuple[Decimal, Decimal]

_SPLIT = re.compile(r"\s*[,;\t]\s*|\s+")
_LOBE = re.compile(r"(intake|exhaust)(?:_([1-9][0-9]?))?")
_NUMBER = re.compile(r"[+-]?(\d{1,9}(\.\d{0,9})?|\.\d{1,9})", re.ASCII)


@dataclass(frozen=True)
class PastedLobe:
    """One lobe's rows, and the line each stood on; `kind` and `cylinder` where the text names them."""

    rows: tuple[Row, ...]
    lines: tuple[int, ...]
    kind: str | None = None
    cylinder: int = 1


def read_pasted(text: str) -> tuple[PastedLobe, ...]:
    """The lobes in a text; raises `BadTable` naming the line, its pointer empty."""
    names: list[str] | None = None
    found: dict[tuple[str | None, int], list[tuple[Row, int]]] = {}
    for number, line in enumerate(text.splitlines(), 1):
        cells = [cell for cell in _SPLIT.split(line.strip()) if cell] if line.strip() else []
        if not cells or line.lstrip().startswith("#"):
            continue
        if names is None:
            if not _NUMBER.fullmatch(cells[0]) or not all(_NUMBER.fullmatch(cell) for cell in cells):
                names = _names(cells, number)
                continue
            names = ["angle", "lift"]
        for key, row in _cells(cells, names, number):
            found.setdefault(key, []).append((row, number))
        if number > 3 * MOST_ROWS:
            raise _wrong(number, f"is one line too many; at most {MOST_ROWS} rows a lobe are taken")
    if not found:
        raise BadTable(faults=(Fault("", "There are no rows in it."),))
    return tuple(
        PastedLobe(tuple(row for row, _ in rows), tuple(line for _, line in rows), kind, cylinder)
        for (kind, cylinder), rows in found.items()
    )


def _names(cells: list[str], number: int) -> list[str]:
    names = [cell.casefold().strip('"') for cell in cells]
    if names in (["angle", "lift"], ["lobe", "angle", "lift"]):
        return names
    if names[0] == "angle" and len(names) > 1 and all(_LOBE.fullmatch(name) for name in names[1:]):
        return names
    raise _wrong(number, "must name the columns: angle, lift; or angle, intake, exhaust; or lobe, angle, lift")


def _cells(cells: list[str], names: list[str], number: int) -> list[tuple[tuple[str | None, int], Row]]:
    if len(cells) != len(names):
        raise _wrong(number, f"has {len(cells)} values for {len(names)} columns")
    if names[0] == "lobe":
        return [(_lobe(cells[0], number), (_decimal(cells[1], number), _decimal(cells[2], number)))]
    angle = _decimal(cells[0], number)
    if names == ["angle", "lift"]:
        return [((None, 1), (angle, _decimal(cells[1], number)))]
    return [
        (_lobe(name, number), (angle, _decimal(cell, number))) for name, cell in zip(names[1:], cells[1:], strict=True)
    ]


def _lobe(name: str, number: int) -> tuple[str, int]:
    match = _LOBE.fullmatch(name.casefold())
    if match is None:
        raise _wrong(number, f"names no lobe: {name[:20]}")
    return match[1], int(match[2] or 1)


def _decimal(cell: str, number: int) -> Decimal:
    try:
        if _NUMBER.fullmatch(cell):
            return Decimal(cell)
    except InvalidOperation:  # pragma: no cover - the pattern leaves only decimals
        pass
    raise _wrong(number, f"has something that is no plain number: {cell[:20]}")


def _wrong(line: int, detail: str) -> BadTable:
    return BadTable(faults=(Fault("", f"Line {line} {detail}."),))
