"""Reads the fields of one object of a catalogue document, adding a fault for each that cannot be meant.

A method returns None for a field that is missing or bad; the fault, if there is one, has then been added.
"""

from __future__ import annotations

import contextlib
import difflib
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from decimal import Context, Decimal
from enum import StrEnum
from functools import lru_cache
from typing import TypeGuard, TypeVar

from service.catalogue_files.faults import FaultList, Path
from service.catalogue_files.numbers import FAULTY
from service.domain.units import LengthUnit

Choice = TypeVar("Choice", bound=StrEnum)

REMEMBERED = 16_384
"""Numbers that are remembered as read: a catalogue states the same few again and again."""

_DECIMAL = re.compile(r"-?\d{1,6}(?:\.(\d{0,8}))?|-?\.(\d{1,8})", re.ASCII)


@dataclass(frozen=True)
class Bounds:
    """What a size can plausibly be, in millimetres: wide, yet so that inches taken for millimetres fall outside.

    Common practice, no source.
    """

    what: str
    low_mm: Decimal
    high_mm: Decimal

    def fault(self, value: Decimal, unit: LengthUnit) -> str | None:
        """What to say of a size outside, in the unit it is written in."""
        if self.low_mm <= value * unit.mm <= self.high_mm:
            return None
        # an exponent is no help to a reader
        size, low, high = (f"{each:f}" for each in (value, self._in(unit, self.low_mm), self._in(unit, self.high_mm)))
        return f"{size} {unit} is no size for {self.what} ({low} to {high} {unit}); is the unit right?"

    @staticmethod
    def _in(unit: LengthUnit, bound_mm: Decimal) -> Decimal:
        """A bound in a unit, to the three digits that a bound so wide is worth."""
        return Context(prec=3).divide(bound_mm, unit.mm)


class Fields:
    """One object of the document at `path`; names that are not in `known` are faults."""

    def __init__(self, value: object, path: Path, faults: FaultList, known: Collection[str]) -> None:
        self.path = path
        self.faults = faults
        # asking for a dict first saves most of what asking for a mapping costs
        self.is_object = isinstance(value, dict | Mapping)
        self._values: Mapping[str, object] = value if isinstance(value, dict | Mapping) else {}
        if not self.is_object:
            faults.add(path, "must be an object")
        for name in self._values:
            if name not in known:
                faults.add((*path, name), f"unknown field{_nearest(str(name), known)}")

    def fault(self, name: str, detail: str) -> None:
        """Something is wrong with the field `name`."""
        self.faults.add((*self.path, name), detail)

    def get(self, name: str, *, required: bool = False) -> object | None:
        """A field's value as it stands; null counts as missing, and so does a cell whose fault has been told."""
        value = self._values.get(name)
        if value is FAULTY:
            return None
        if value is None and required and self.is_object:
            self.fault(name, "is missing")
        return value

    def list_of(self, name: str, *, required: bool = False) -> Sequence[object]:
        """A field that must be a list; empty when missing or bad."""
        value = self.get(name, required=required)
        if value is None:
            return []
        if not is_list(value):
            self.fault(name, "must be a list")
            return []
        return value

    def text(self, name: str, *, required: bool = False, longest: int = 200) -> str | None:
        """A line of text without spaces at its ends or control characters; an empty one is missing."""
        value = self.get(name, required=required)
        if value is None:
            return None
        text = line_of_text(value, longest)
        if text is None:
            self.fault(name, f"must be a line of text of at most {longest} characters")
        elif not text:
            if required:
                self.fault(name, "is missing")
            return None
        return text

    def choice(self, name: str, choices: type[Choice], *, required: bool = False) -> Choice | None:
        """One of an enumeration's words."""
        value = self.get(name, required=required)
        if value is None:
            return None
        if isinstance(value, str):
            with contextlib.suppress(ValueError):
                return choices(value)
        self.fault(name, f"must be one of {', '.join(choices)}")
        return None

    def whole(self, name: str, low: int, high: int) -> int | None:
        """A whole number from `low` to `high`."""
        value = self.get(name)
        if value is None:
            return None
        if isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high:
            number = int(value)
            if number == value:
                return number
        self.fault(name, f"must be a whole number from {low} to {high}")
        return None

    def decimal(self, name: str, *, required: bool = False, places: int = 8) -> Decimal | None:
        """A plain decimal, as a string or a JSON number, exact."""
        value = self.get(name, required=required)
        return None if value is None else decimal_at((*self.path, name), value, self.faults, places)

    def positive(
        self, name: str, *, required: bool = False, places: int = 8, zero: bool = False, below: int | None = None
    ) -> Decimal | None:
        """A decimal over zero (or zero too), and less than `below`."""
        value = self.decimal(name, required=required, places=places)
        if value is None:
            return None
        if value < 0 or (value == 0 and not zero):
            self.fault(name, "must not be negative" if zero else "must be over zero")
            return None
        if below is not None and value >= below:
            self.fault(name, f"must be less than {below}")
            return None
        return value

    def length_mm(self, name: str, unit: LengthUnit, bounds: Bounds, *, required: bool = False) -> Decimal | None:
        """A size within `bounds`, as exact millimetres."""
        value = self.positive(name, required=required, zero=bounds.low_mm == 0)
        if value is None:
            return None
        detail = bounds.fault(value, unit)
        if detail is not None:
            self.fault(name, detail)
            return None
        return value * unit.mm


def is_list(value: object) -> TypeGuard[Sequence[object]]:
    """Whether a value is a list, which text is not."""
    return isinstance(value, list) or (isinstance(value, Sequence) and not isinstance(value, str | bytes))


def line_of_text(value: object, longest: int) -> str | None:
    """`value` stripped, when it is one printable line of at most `longest` characters."""
    if not isinstance(value, str):
        return None
    text = value.strip()
    return text if len(value) <= longest and text.isprintable() else None


def decimal_at(path: Path, value: object, faults: FaultList, places: int = 8) -> Decimal | None:
    """A plain decimal of at most `places` decimals, trailing zeros apart; a fault at `path` for anything else."""
    if value is FAULTY:
        return None
    text = value if isinstance(value, str) else _number_text(value)
    found = None if text is None else _decimal_of(text)
    if found is None:
        faults.add(path, "must be a plain decimal of at most 6 digits before and 8 after the point, such as 0.313")
        return None
    number, decimals = found
    if decimals > places:
        faults.add(path, f"must have at most {places} decimals")
        return None
    return number


@lru_cache(maxsize=REMEMBERED)
def _decimal_of(text: str) -> tuple[Decimal, int] | None:
    """A plain decimal and how many decimals it has, trailing zeros apart; None for any other text."""
    found = _DECIMAL.fullmatch(text)
    if found is None:
        return None
    decimals = found[1] or found[2] or ""
    return Decimal(text) + 0, len(decimals.rstrip("0"))  # no minus sign on a zero


def _number_text(value: object) -> str | None:
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        return None
    if not -1_000_000 < value < 1_000_000:  # also False for a NaN
        return None
    return f"{Decimal(repr(value) if isinstance(value, float) else value):f}"


def _nearest(name: str, known: Collection[str]) -> str:
    close = difflib.get_close_matches(name, known, n=1)
    return f"; did you mean {close[0]}?" if close else ""
