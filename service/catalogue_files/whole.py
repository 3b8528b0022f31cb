"""Checks what no row can say alone: names given twice, cores that are not there, successors that lead nowhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from service.catalogue_files.faults import FaultList, Path


def check_whole(cores: Sequence[object], parts: Sequence[object], faults: FaultList) -> None:
    """Add what is wrong with the rows of a document taken together. A bad row still counts as the name it gives."""
    codes = _named_once(cores, "cores", "code", "core", faults)
    numbers = _named_once(parts, "parts", "part_number", "part number", faults)
    successor: dict[str, str] = {}
    for i, part in enumerate(parts):
        core, next_number, number = (_text(part, name) for name in ("core", "superseded_by", "part_number"))
        if core and core not in codes:
            faults.add(("parts", i, "core"), f"there is no core {core}")
        if not next_number:
            continue
        if next_number not in numbers:
            faults.add(("parts", i, "superseded_by"), f"there is no part number {next_number}")
        elif number and numbers[number] == i:
            successor[number] = next_number
    for ring in _rings(successor):
        for number in ring:
            chain = " > ".join((*ring, ring[0]))
            faults.add(("parts", numbers[number], "superseded_by"), f"supersession runs in a circle: {chain}")


def _text(row: object, name: str) -> str:
    value = row.get(name) if isinstance(row, Mapping) else None
    return value.strip() if isinstance(value, str) else ""


def _named_once(
    rows: Sequence[object], of: str, name: str, word: str, faults: FaultList
) -> dict[str, int]:  # fmt: skip
    """Where each name first stands; a second time is a fault."""
    first: dict[str, int] = {}
    for i, row in enumerate(rows):
        text = _text(row, name)
        if text in first:
            path: Path = (of, first[text], name)
            faults.add((of, i, name), f"{word} {text} stands at {faults.place(path)} already")
        elif text:
            first[text] = i
    return first


def _rings(successor: Mapping[str, str]) -> list[list[str]]:
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
