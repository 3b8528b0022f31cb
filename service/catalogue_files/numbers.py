"""How a sheet writes its decimals, and its numbers brought to plain ones. No number is ever guessed at.

The rule: a sheet writes all its decimals one way. `0,313`, `12,5` and `1,2345` can only be decimals; `1,234` may be
one and a bit or twelve hundred. Where a sheet has commas that can only be decimal and no decimal point, all its commas
are decimal. Where it has decimal points, or nothing that settles it, a comma in a number is a fault.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from enum import Enum

from service.domain.units import LengthUnit

_COMMA = re.compile(r"-?[0-9]{0,6},[0-9]{1,8}", re.ASCII)
_POINT = re.compile(r"-?[0-9]{0,6}\.[0-9]{1,8}", re.ASCII)
_MAY_BE_THOUSANDS = re.compile(r"-?[1-9][0-9]{0,2},[0-9]{3}", re.ASCII)
_PLAIN = re.compile(r"-?[0-9]{1,6}(?:\.[0-9]{0,8})?|-?\.[0-9]{1,8}", re.ASCII)

MOST_DECIMALS = 8
"""Of a size as it is kept."""


class Faulty(Enum):
    """Stands for a cell whose fault has been told."""

    TOLD = "told"


FAULTY = Faulty.TOLD


@dataclass(frozen=True)
class DecimalMark:
    """How a sheet writes decimals. `comma_at` and `point_at` are a place of each that can be nothing else, if any."""

    comma_at: str | None = None
    point_at: str | None = None

    @property
    def is_comma(self) -> bool:
        """Whether commas are decimal here."""
        return self.comma_at is not None and self.point_at is None

    def plain(self, cell: str) -> str:
        """A cell with a decimal point; raises ValueError, with what to say of it, where its comma settles nothing."""
        if "," not in cell:
            return cell
        if not _COMMA.fullmatch(cell):
            return cell  # no number at all: its own check says so
        if self.is_comma:
            return cell.replace(",", ".")
        if self.comma_at is not None and self.point_at is not None:
            raise ValueError(
                f"has a decimal comma, and {self.point_at} a decimal point: one sheet must write them one way"
            )
        if self.point_at is not None:
            raise ValueError(f"has a comma where {self.point_at} has a decimal point: thousands must not be marked")
        point, whole = cell.replace(",", "."), cell.replace(",", "")
        raise ValueError(
            f"may mean {point} or {whole}, and nothing in this sheet settles which: write {point} or {whole}"
        )


def is_point_decimal(cell: str) -> bool:
    """Whether a cell is a number with a decimal point and nothing else."""
    return "." in cell and _POINT.fullmatch(cell) is not None


def decimal_mark_of(cells: Iterable[tuple[str, str]]) -> DecimalMark:
    """The mark of a sheet from its number cells, each after its place."""
    comma = point = None
    for place, cell in cells:
        if "," in cell:
            if comma is None and _COMMA.fullmatch(cell) and not _MAY_BE_THOUSANDS.fullmatch(cell):
                comma = place
        elif point is None and is_point_decimal(cell):
            point = place
        if comma is not None and point is not None:
            break
    return DecimalMark(comma, point)


def in_millimetres(cell: str) -> str:
    """A size written in inches as millimetres, digit for digit; what is no plain decimal stays as it is.

    Raises ValueError where it has too many decimals to stay exact.
    """
    if not _PLAIN.fullmatch(cell):
        return cell
    value = Decimal(cell) * LengthUnit.INCH.mm
    text = f"{value.normalize():f}"
    if len(text.partition(".")[2]) > MOST_DECIMALS:
        raise ValueError(f"has more decimals than can be kept exactly in a row of millimetres ({MOST_DECIMALS - 1})")
    return text
