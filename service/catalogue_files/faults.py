"""The list of everything wrong with a catalogue, each with its place in what was sent, and what stands there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from service.domain.errors import Fault, InvalidInput

Path: TypeAlias = tuple[str | int, ...]
"""Where a field stands in a catalogue document, such as `("parts", 3, "lobes", "intake", "lift")`."""

LONGEST_VALUE = 60


@dataclass(frozen=True)
class PlacedFault(Fault):
    """One thing wrong with a catalogue. `pointer` is a JSON Pointer for JSON, and `file:line:column` for sheets;
    `value` is what stands there, as it was written, where there is one value at fault."""

    value: str | None = None


class CatalogueFaults(InvalidInput):
    """The catalogue was not taken; nothing has changed.

    One fault a bad field.
    """

    code = "catalogue_faults"


class FaultList:
    """Collects faults; `place` turns a path into what the sender can find again, `value` into what stands there."""

    def __init__(self, place: Callable[[Path], str], value: Callable[[Path], str | None] = lambda _: None) -> None:
        self.place = place
        self.value = value
        self._faults: list[tuple[tuple[str, int], Fault]] = []

    def add(self, path: Path, detail: str) -> None:
        """Something is wrong at `path`."""
        kind, row = (*path, "", -1)[:2]
        order = (str(kind), row if isinstance(row, int) else -1)
        self._faults.append((order, PlacedFault(self.place(path), detail, _short(self.value(path)))))

    def add_at(self, place: str, detail: str, value: str | None = None) -> None:
        """Something is wrong at a place that has no path."""
        self._faults.append((("", -1), PlacedFault(place, detail, _short(value))))

    def __len__(self) -> int:
        return len(self._faults)

    @property
    def all(self) -> tuple[Fault, ...]:
        """All of them, row by row."""
        return tuple(fault for _, fault in sorted(self._faults, key=lambda entry: entry[0]))

    def raise_if_any(self) -> None:
        """Raise `CatalogueFaults` with all of them, unless there are none."""
        if self._faults:
            raise faults_error(self.all)


def faults_error(faults: tuple[Fault, ...]) -> CatalogueFaults:
    """The error that says all of this is wrong."""
    what = "1 thing is" if len(faults) == 1 else f"{len(faults)} things are"
    return CatalogueFaults(f"{what} wrong with the catalogue; it was not taken and nothing has changed.", faults)


def json_pointer(path: Path) -> str:
    """The JSON Pointer (RFC 6901) of a path."""
    return "".join("/" + str(step).replace("~", "~0").replace("/", "~1") for step in path)


def _short(value: str | None) -> str | None:
    return value if value is None or len(value) <= LONGEST_VALUE else value[: LONGEST_VALUE - 1] + "…"
