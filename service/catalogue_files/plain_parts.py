"""Parts out of the plain rows of a sheet, each at once: several times as quick as field by field.

A row is plain where every filled cell stands under a column of the contract without a unit in its title, and nothing is
wrong with any. What one cell may hold is asked of `fields`, once for each text; about how cells of a row go together
this module is only ever stricter than `rows` and `lobes`. Whatever it is not sure of it leaves to them, who find the
words.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from operator import itemgetter
from typing import Any, Generic, TypeAlias, TypeVar

from service.catalogue_files.columns import DURATION, PART_COLUMNS, PART_NAMES, is_duration
from service.catalogue_files.faults import FaultList
from service.catalogue_files.fields import REMEMBERED, Bounds, Fields, line_of_text
from service.catalogue_files.lobes import (
    BASE_CIRCLE,
    CHECKING_LIFT,
    LASH,
    LIFT,
    LIMIT,
    read_crank_degrees,
    read_rocker_ratio,
)
from service.catalogue_files.rows import (
    LONGEST_CODE,
    LONGEST_NUMBER,
    LONGEST_TITLE,
    is_name,
    read_lobe_separation,
    read_units_sold,
)
from service.catalogue_files.sheets import Sheet, whole_number
from service.domain.catalogue import LobeNominal, Part, PartStatus, StatedDuration, Tolerance
from service.domain.readings import LobeKind
from service.domain.units import LengthUnit

_LOBE_CELLS = (
    "lift", "base_circle", "lash", "rocker_ratio",
    "tolerances.lift.minus", "tolerances.lift.plus", "tolerances.base_circle.minus", "tolerances.base_circle.plus",
)  # fmt: skip
_UNITS = {"": LengthUnit.INCH} | {unit.value: unit for unit in LengthUnit}
_STATUSES: dict[str, PartStatus | None] = {"": None} | {status.value: status for status in PartStatus}

Value = TypeVar("Value")

Pick: TypeAlias = Callable[[list[str]], tuple[str, ...]]
"""Takes some of a row's cells."""


class NotPlain(Exception):
    """This row is for the checks that find the words."""


class _Cells(dict[str, Value], Generic[Value]):
    """What cells of one kind hold, by their text, each worked out once. Raises `NotPlain` where anything is wrong."""

    def __init__(self, read: Callable[[Fields], Value | None], *, of_words: bool = False) -> None:
        super().__init__()
        self._read = read
        self._of_words = of_words

    def __missing__(self, text: str) -> Value:
        if len(self) >= REMEMBERED:
            self.clear()
        faults = FaultList(lambda _: "")
        value = None if "," in text and not self._of_words else self._read(Fields({_CELL: text}, (), faults, (_CELL,)))
        if value is None or len(faults):
            raise NotPlain
        self[text] = value
        return value


_CELL = "cell"


@dataclass(frozen=True)
class _Lobe:
    """A lobe's cells in a row: `sizes` as `_LOBE_CELLS`, `durations` by their checking lifts, which stand beside.

    `known` are durations by the cells that state them.
    """

    kind: LobeKind
    sizes: Pick
    durations: Pick
    checking_lifts_mm: tuple[float, ...]
    known: dict[tuple[str, ...], tuple[StatedDuration, ...]]


@dataclass(frozen=True)
class _Named:
    """Where a row's own cells stand; -1 is behind the last, and always empty."""

    number: int
    core: int
    title: int
    status: int
    successor: int
    sold: int
    separation: int


class PlainParts:
    """The parts of a sheet whose rows are plain. `has_lift_table` says of which rows there is more in another sheet."""

    def __init__(self, sheet: Sheet, has_lift_table: Callable[[int], bool]) -> None:
        self._grid = sheet.grid
        self._has_lift_table = has_lift_table
        at = {column.name: i for i, column in enumerate(sheet.columns) if column.name}
        untitled = [i for i, column in enumerate(sheet.columns) if not column.name]
        self._width = len(sheet.columns)
        self._is_plain = (
            not sheet.grid.told
            and not any(column.unit for column in sheet.columns)
            and len(at) + len(untitled) == self._width
            and all(name in PART_COLUMNS or is_duration(name) for name in at)
        )
        self._unit = at.get("unit", -1)
        own = ("part_number", "core", "title", "status", "superseded_by", "units_sold", "lobe_separation")
        self._named = _Named(*(at.get(name, -1) for name in own))
        self._other = (*untitled, *(i for name, i in at.items() if name not in PART_NAMES and not _is_size(name)))
        self._readers = {unit: _Reader(unit, at) for unit in LengthUnit} if self._is_plain else {}
        self._sold: _Cells[int] = _Cells(lambda fields: read_units_sold(_whole(fields), _CELL))
        self._separation: _Cells[float] = _Cells(lambda fields: _float(read_lobe_separation(fields, _CELL)))
        self._cores = _Cells(lambda fields: fields.text(_CELL, longest=LONGEST_CODE), of_words=True)
        self._titles = _Cells(lambda fields: fields.text(_CELL, longest=LONGEST_TITLE), of_words=True)

    def part(self, index: int) -> Part | None:
        """The part of a row; None where the row is not plain."""
        if not self._is_plain or self._has_lift_table(index):
            return None
        cells = self._grid.row(index)
        cells += [""] * (self._width + 1 - len(cells))
        try:
            return self._read(cells)
        except NotPlain:
            return None

    def _read(self, cells: list[str]) -> Part:
        if self._other and any(cells[i] for i in self._other):
            raise NotPlain
        unit, named = _UNITS.get(cells[self._unit]), self._named
        if unit is None:
            raise NotPlain
        number, title, successor = cells[named.number], cells[named.title], cells[named.successor]
        if not number or line_of_text(number, LONGEST_NUMBER) is None or not is_name(number):
            raise NotPlain
        core = self._cores[cells[named.core]]
        if cells[named.status] not in _STATUSES:
            raise NotPlain
        status = _STATUSES[cells[named.status]]
        if successor and (
            line_of_text(successor, LONGEST_NUMBER) is None or status not in (None, PartStatus.SUPERSEDED)
        ):
            raise NotPlain
        lobes = self._readers[unit].lobes(cells)
        sold, separation = cells[named.sold], cells[named.separation]
        return Part(
            number,
            core,
            lobes,
            self._titles[title] if title else "",
            status or (PartStatus.SUPERSEDED if successor else PartStatus.CURRENT),
            successor or None,
            self._sold[sold] if sold else None,
            self._separation[separation] if separation else None,
            unit,
        )


class _Reader:
    """Reads the lobes of rows in one unit."""

    def __init__(self, unit: LengthUnit, at: Mapping[str, int]) -> None:
        def lengths(bounds: Bounds) -> _Cells[float]:
            return _Cells(lambda fields: _float(fields.length_mm(_CELL, unit, bounds)))

        self._lift, self._base, self._lash, self._limit = (lengths(b) for b in (LIFT, BASE_CIRCLE, LASH, LIMIT))
        self._ratio: _Cells[float] = _Cells(lambda fields: _float(read_rocker_ratio(fields, _CELL)))
        self._degrees: _Cells[float] = _Cells(lambda fields: _float(read_crank_degrees(fields, _CELL)))
        self._tolerances: dict[tuple[str, str], Tolerance] = {}
        checking_lifts = lengths(CHECKING_LIFT)
        self._lobes: list[_Lobe] = []
        self._unsure: list[int] = []
        for kind in LobeKind:
            durations = []
            for name, i in at.items():
                if is_duration(name) and name.startswith(f"{kind}."):
                    try:
                        durations.append((i, checking_lifts[name.partition(DURATION)[2]]))
                    except NotPlain:
                        self._unsure.append(i)
            durations.sort(key=lambda one: one[1])
            if any(lift == higher for (_, lift), (_, higher) in pairwise(durations)):
                self._unsure += [i for i, _ in durations]
            sizes = _pick([at.get(f"{kind}.{name}", -1) for name in _LOBE_CELLS])
            lifts = tuple(lift for _, lift in durations)
            self._lobes.append(_Lobe(kind, sizes, _pick([i for i, _ in durations]), lifts, {}))

    def lobes(self, cells: list[str]) -> dict[LobeKind, LobeNominal]:
        """The lobes of a row, one at least; raises `NotPlain`."""
        if self._unsure and any(cells[i] for i in self._unsure):
            raise NotPlain
        found = {}
        for lobe in self._lobes:
            nominal = self._lobe(lobe, cells)
            if nominal is not None:
                found[lobe.kind] = nominal
        if not found:
            raise NotPlain
        return found

    def _lobe(self, lobe: _Lobe, cells: list[str]) -> LobeNominal | None:
        sizes, stated = lobe.sizes(cells), lobe.durations(cells)
        lift, base, lash, ratio, lift_minus, lift_plus, base_minus, base_plus = sizes
        if not lift or not base:
            if any(sizes) or any(stated):
                raise NotPlain
            return None
        lift_mm, base_mm = self._lift[lift], self._base[base]
        durations = lobe.known.get(stated)
        if durations is None:
            durations = self._stated(lobe, stated)
        if lift_mm >= base_mm or (durations and durations[-1].checking_lift_mm >= lift_mm):
            raise NotPlain
        return LobeNominal(
            lift_mm,
            base_mm,
            self._lash[lash] if lash else None,
            self._ratio[ratio] if ratio else None,
            self._tolerance(lift_minus, lift_plus, lift_mm) if lift_minus or lift_plus else None,
            self._tolerance(base_minus, base_plus, base_mm) if base_minus or base_plus else None,
            durations,
        )

    def _tolerance(self, minus: str, plus: str, nominal_mm: float) -> Tolerance:
        found = self._tolerances.get((minus, plus))
        if found is None:
            if not minus or not plus:
                raise NotPlain
            found = Tolerance(self._limit[minus], self._limit[plus])
            if len(self._tolerances) < REMEMBERED:
                self._tolerances[minus, plus] = found
        if found.minus_mm >= nominal_mm:
            raise NotPlain
        return found

    def _stated(self, lobe: _Lobe, cells: tuple[str, ...]) -> tuple[StatedDuration, ...]:
        """The durations of a lobe, worked out once for all that state the same."""
        durations = tuple(
            StatedDuration(lift_mm, self._degrees[cell])
            for lift_mm, cell in zip(lobe.checking_lifts_mm, cells, strict=True)
            if cell
        )
        if any(longer.crank_deg <= shorter.crank_deg for longer, shorter in pairwise(durations)):
            raise NotPlain
        if len(lobe.known) >= REMEMBERED:
            lobe.known.clear()
        lobe.known[cells] = durations
        return durations


def _pick(places: list[int]) -> Pick:
    """What takes the cells at these places, always as a tuple."""
    if len(places) < 2:
        return lambda cells: tuple(cells[i] for i in places)
    several: Any = itemgetter(*places)
    pick: Pick = several
    return pick


def _is_size(name: str) -> bool:
    return is_duration(name) or name.partition(".")[2] in _LOBE_CELLS


def _float(value: Decimal | None) -> float | None:
    return None if value is None else float(value)


def _whole(fields: Fields) -> Fields:
    """The cell as a whole number, where it is one."""
    text = fields.get(_CELL)
    value = whole_number(text) if isinstance(text, str) else text
    return Fields({_CELL: value}, (), fields.faults, (_CELL,))
