"""The list of everything wrong with a catalogue, each with its place in what was sent."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

from service.domain.errors import Fault, InvalidInput

Path: TypeAlias = tuple[str | int, ...]
"""Where a field stands in a catalogue document, such as `("parts", 3, "lobes", "intake", "lift")`."""


class CatalogueFaults(InvalidInput):
    """The catalogue was not taken; nothing has changed.

    One fault a bad field. Its `pointer` is a JSON Pointer for JSON, and `file:line:column` for CSV.
    """

    code = "catalogue_faults"


class FaultList:
    """Collects faults; `place` turns a path into what the sender can find again."""

    def __init__(self, place: Callable[[Path], str]) -> None:
        self.place = place
        self._faults: list[tuple[tuple[str, int], Fault]] = []

    def add(self, path: Path, detail: str) -> None:
        """Something is wrong at `path`."""
        kind, row = (*path, "", -1)[:2]
        self._faults.append(((str(kind), row if isinstance(row, int) else -1), Fault(self.place(path), detail)))

    def add_at(self, place: str, detail: str) -> None:
        """Something is wrong at a place that has no path."""
        self._faults.append((("", -1), Fault(place, detail)))

    def __len__(self) -> int:
        return len(self._faults)

    def raise_if_any(self) -> None:
        """Raise `CatalogueFaults` with all of them, row by row, unless there are none."""
        if self._faults:
            count = len(self._faults)
            what = "1 thing is" if count == 1 else f"{count} things are"
            by_row = sorted(self._faults, key=lambda entry: entry[0])
            raise CatalogueFaults(
                f"{what} wrong with the catalogue; it was not taken and nothing has changed.",
                tuple(fault for _, fault in by_row),
            )


def json_pointer(path: Path) -> str:
    """The JSON Pointer (RFC 6901) of a path."""
    return "".join("/" + str(step).replace("~", "~0").replace("/", "~1") for step in path)
