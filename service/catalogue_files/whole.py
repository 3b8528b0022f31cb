"""Checks what no row can say alone: names given twice, cores that are not there, successors that lead nowhere."""

from __future__ import annotations

from collections.abc import Mapping

from service.catalogue_files.faults import FaultList, Path


class WholeCheck:
    """Told of every row in turn by its path, `("cores", 3)`, it keeps their names and places and no more.

    A bad row still counts as the name it gives.
    """

    def __init__(self, faults: FaultList) -> None:
        self._faults = faults
        self._codes: dict[str, int] = {}
        self._numbers: dict[str, int] = {}
        self._followed: list[tuple[Path, str, str]] = []

    def core(self, path: Path, row: object) -> None:
        """One more core."""
        self._named_once(path, "code", "core", _text(row, "code"), self._codes)

    def part_row(self, path: Path, row: object) -> None:
        """One more part, after all the cores."""
        self.part(path, *(_text(row, name) for name in ("part_number", "core", "superseded_by")))

    def part(self, path: Path, number: str, core: str, successor: str) -> None:
        """The same of what it says; empty is nothing."""
        self._named_once(path, "part_number", "part number", number, self._numbers)
        if core and core not in self._codes:
            self._faults.add((*path, "core"), f"there is no core {core}")
        if successor:
            self._followed.append((path, number, successor))

    def finish(self) -> None:
        """Add what is wrong with supersession, once all rows have been told."""
        successors: dict[str, str] = {}
        for path, number, successor in self._followed:
            if successor not in self._numbers:
                self._faults.add((*path, "superseded_by"), f"there is no part number {successor}")
            elif number and _part(self._numbers[number]) == path:
                successors[number] = successor
        for ring in supersession_rings(successors):
            for number in ring:
                chain = " > ".join((*ring, ring[0]))
                self._faults.add(
                    (*_part(self._numbers[number]), "superseded_by"), f"supersession runs in a circle: {chain}"
                )

    def _named_once(self, path: Path, name: str, word: str, text: str, first: dict[str, int]) -> None:
        if text in first:
            place = self._faults.place((path[0], first[text], name))
            self._faults.add((*path, name), f"{word} {text} stands at {place} already")
        elif text:
            first[text] = int(path[1])


def _part(row: int) -> Path:
    return "parts", row


def _text(row: object, name: str) -> str:
    value = row.get(name) if isinstance(row, Mapping) else None
    return value.strip() if isinstance(value, str) else ""


def supersession_rings(successor: Mapping[str, str]) -> list[list[str]]:
    """Every circle that following successors runs into, once."""
    rings: list[list[str]] = []
    seen: set[str] = set()
    for start in successor:
        walked: list[str] = []
        number: str | None = start
        while number is not None and number not in seen:
            seen.add(number)
            walked.append(number)
            number = successor.get(number)
        if number is not None and number in walked:
            rings.append(walked[walked.index(number) :])
    return rings
