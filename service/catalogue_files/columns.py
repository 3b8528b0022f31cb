"""The columns of a catalogue's sheets: the document's names joined by dots, and a unit behind those that are sizes.

`intake.lift`, `intake.tolerances.lift.minus`, `intake.duration_0.050` (the checking lift in the row's unit),
`journal.front.diameter`. A size may name its unit: `intake.lift_mm`, `overall_length_in`, `intake.duration_1.27_mm`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

from service.domain.readings import LobeKind, Position
from service.domain.units import LengthUnit

CORE_NAMES = ("code", "name", "unit", "engine_families", "gear_teeth", "overall_length")
PART_NAMES = ("part_number", "core", "unit", "title", "status", "superseded_by", "units_sold", "lobe_separation")
_LOBE_NAMES = (
    "lift", "base_circle", "lash", "rocker_ratio",
    "tolerances.lift.minus", "tolerances.lift.plus", "tolerances.base_circle.minus", "tolerances.base_circle.plus",
    "lift_table.follower.kind", "lift_table.follower.radius", "lift_table.angle",
)  # fmt: skip
DURATION = "duration_"

CORE_COLUMNS = (*CORE_NAMES, *(f"journal.{p}.{name}" for p in Position for name in ("diameter", "minus", "plus")))
PART_COLUMNS = (*PART_NAMES, *(f"{kind}.{name}" for kind in LobeKind for name in _LOBE_NAMES))
LIFT_TABLE_COLUMNS = ("part_number", "lobe", "angle", "lift")

WHOLE_NUMBERS = ("gear_teeth", "units_sold")
RUNNING_TEXT = ("name", "title", "engine_families")
"""Columns in which a line break is no more than a blank."""

_SIZES = frozenset({"diameter", "minus", "plus", "overall_length", "lift", "base_circle", "lash", "radius"})
_WORDS = frozenset(
    {"code", "name", "unit", "engine_families", "part_number", "core", "title", "status", "superseded_by", "lobe",
     "kind", "lift_table.angle"}
)  # fmt: skip

MOST_TITLES = 2048
"""Titles of columns that are remembered with what they mean."""


@dataclass(frozen=True)
class Column:
    """One column: `title` as it stands in the sheet, `name` as the document has it, `unit` where the title names one.

    `name` is empty for a column without a title.
    """

    title: str
    name: str
    unit: LengthUnit | None = None

    @cached_property
    def is_size(self) -> bool:
        """Whether its cells are lengths."""
        return is_size(self.name)

    @cached_property
    def is_number(self) -> bool:
        """Whether its cells are numbers of any sort, whole ones too."""
        last = self.name.rpartition(".")[2]
        words = self.name.endswith("lift_table.angle") or last in _WORDS
        return bool(self.name) and not words


def is_size(name: str) -> bool:
    """Whether a column of this name holds lengths."""
    return not is_duration(name) and name.rpartition(".")[2] in _SIZES


@lru_cache(maxsize=MOST_TITLES)
def is_duration(name: str) -> bool:
    """Whether a column holds durations of a lobe at the checking lift it names."""
    kind, _, rest = name.partition(".")
    return kind in tuple(LobeKind) and rest.startswith(DURATION)


def column_of(title: str, *, comma: bool = False) -> Column:
    """The column of a title; `comma` where the sheet writes its decimals with one, `intake.duration_0,050`."""
    stem, _, end = title.rpartition("_")
    unit = next((unit for unit in LengthUnit if unit.value == end), None)
    if unit is not None and (is_size(stem) or is_duration(stem)):
        name = stem
    else:
        name, unit = title, None
    if is_duration(name) and comma:
        name = name.replace(",", ".")
    return Column(title, name, unit)
