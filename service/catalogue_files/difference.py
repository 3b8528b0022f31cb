"""What became of a catalogue from one revision to another: row by row and field by field, in words too."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from service.catalogue_files.written import core_row, part_row
from service.domain.catalogue import Catalogue, Core, Part

_TABLE = ".lift_table"


class Became(StrEnum):
    """What became of a core or a part."""

    ADDED = "added"
    REMOVED = "removed"
    CHANGED = "changed"


@dataclass(frozen=True)
class FieldChange:
    """One field that is another now, by the name of its column; None where nothing was, or is, stated."""

    field: str
    before: str | None
    after: str | None

    @property
    def words(self) -> str:
        """The change as a person would say it; of a lift table how many points, for nobody reads eighty of them."""
        before, after = self._shown(self.before), self._shown(self.after)
        if before is None:
            return f"{self.field} is {after}, and was not stated"
        if after is None:
            return f"{self.field} is no longer stated, and was {before}"
        if self._is_table:
            was, is_now = (set(str(each).partition("(")[2].rstrip(")").split()) for each in (self.before, self.after))
            return f"{self.field} is {after}, {len(is_now - was)} of them other than before, and was {before}"
        return f"{self.field} is {after}, and was {before}"

    @property
    def _is_table(self) -> bool:
        return self.field.endswith(_TABLE)

    def _shown(self, value: str | None) -> str | None:
        return value if value is None or not self._is_table else value.partition(" (")[0]


@dataclass(frozen=True)
class Change:
    """What became of one core or part; `fields` of one that changed."""

    kind: str
    name: str
    became: Became
    fields: tuple[FieldChange, ...] = ()

    @property
    def words(self) -> str:
        """The change as a person would say it."""
        said = "; ".join(field.words for field in self.fields)
        return f"{self.kind} {self.name} {self.became}" + (f": {said}" if said else "")


def difference(before: Catalogue, after: Catalogue) -> tuple[Change, ...]:
    """Every change, cores first; each kind in the order of `after`, and then what is gone in the order of `before`.

    A row that only stands in another place has not changed. Sizes are held against each other in the unit they had.
    """
    return (
        *_changes("core", {core.code: core for core in before.cores}, {core.code: core for core in after.cores}),
        *_changes(
            "part", {part.part_number: part for part in before.parts}, {part.part_number: part for part in after.parts}
        ),
    )


def _changes(
    kind: str, before: Mapping[str, Core | Part], after: Mapping[str, Core | Part]
) -> tuple[Change, ...]:  # fmt: skip
    found = []
    for name, now in after.items():
        then = before.get(name)
        if then is None:
            found.append(Change(kind, name, Became.ADDED))
        elif then != now:
            found.append(Change(kind, name, Became.CHANGED, _fields(then, now)))
    return (*found, *(Change(kind, name, Became.REMOVED) for name in before if name not in after))


def _fields(then: Core | Part, now: Core | Part) -> tuple[FieldChange, ...]:
    was, is_now = _row(then, then), _row(now, then)
    names = [*was, *(name for name in is_now if name not in was)]
    changes = [FieldChange(name, was.get(name), is_now.get(name)) for name in names]
    return tuple(change for change in changes if change.before != change.after)


def _row(item: Core | Part, like: Core | Part) -> dict[str, str]:
    """All that is stated, in the unit of `like`, but with the unit it is stated in itself."""
    if isinstance(item, Core):
        return core_row(item, like.unit) | {"unit": item.unit.value}
    row = part_row(item, like.unit) | {"unit": item.unit.value}
    for kind, lobe in item.lobes.items():
        if lobe.lift_table is not None:
            points = lobe.lift_table.points
            shown = " ".join(f"{angle:g}:{like.unit.show(lift)}" for angle, lift in points)
            row[f"{kind}{_TABLE}"] = f"{len(points)} points ({shown})"
    return row
