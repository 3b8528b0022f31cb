"""One part or core of a catalogue added, replaced or taken out, checked as an import of the whole would check it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from service.catalogue_files.doubts import doubts_of
from service.catalogue_files.faults import FaultList, Path, json_pointer
from service.catalogue_files.rows import read_core, read_part
from service.catalogue_files.whole import supersession_rings
from service.domain.catalogue import Catalogue, Core, Part
from service.domain.errors import Conflict, Fault, NotFound
from service.domain.units import LengthUnit

Thing = TypeVar("Thing", Core, Part)

ELSEWHERE = "elsewhere"
_MOST_NAMED = 5


@dataclass(frozen=True)
class Edit:
    """A catalogue after one change. `name` is what was changed, `words` say how, `doubts` what is doubtful of it."""

    whole: Catalogue
    name: str
    words: str
    doubts: tuple[Fault, ...] = ()


def stated_part(stated: object) -> Part:
    """The part that is stated; raises `CatalogueFaults` with pointers into what is stated."""
    return _stated(stated, read_part)


def stated_core(stated: object) -> Core:
    """The core that is stated; raises `CatalogueFaults` with pointers into what is stated."""
    return _stated(stated, read_core)


def put_part(catalogue: Catalogue, part: Part, number: str | None = None) -> Edit:
    """Add a part, or put it in the place of the part `number`.

    Raises `CatalogueFaults` with pointers into the part, `NotFound`, and `Conflict` where a part to be added is
    there already.
    """
    at = _place(catalogue.parts, number, "part number", lambda one: one.part_number)
    faults = FaultList(json_pointer)
    if number is not None and part.part_number != number:
        detail = f"must be {number}: add another number as a part of its own, and let this one be superseded by it"
        faults.add(("part_number",), detail)
    elif number is None and any(one.part_number == part.part_number for one in catalogue.parts):
        raise Conflict(f"The catalogue has a part number {part.part_number} already.")
    if all(core.code != part.core for core in catalogue.cores):
        faults.add(("core",), f"there is no core {part.core}")
    parts = (*catalogue.parts[:at], part, *catalogue.parts[at + 1 :])
    _check_succession(part, parts, faults)
    faults.raise_if_any()
    whole = replace(catalogue, parts=parts)
    return Edit(whole, part.part_number, _words("part", part.part_number, number), _doubts_of_part(whole, at))


def put_core(catalogue: Catalogue, core: Core, code: str | None = None) -> Edit:
    """Add a core, or put it in the place of the core `code`; raises as `put_part` does."""
    at = _place(catalogue.cores, code, "core", lambda one: one.code)
    if code is not None and core.code != code:
        faults = FaultList(json_pointer)
        faults.add(("code",), f"must be {code}: its parts name it so")
        faults.raise_if_any()
    elif code is None and any(one.code == core.code for one in catalogue.cores):
        raise Conflict(f"The catalogue has a core {core.code} already.")
    whole = replace(catalogue, cores=(*catalogue.cores[:at], core, *catalogue.cores[at + 1 :]))
    return Edit(whole, core.code, _words("core", core.code, code))


def take_out_part(catalogue: Catalogue, number: str) -> Edit:
    """Take a part out; raises `NotFound`, and `Conflict` while others name it as their successor, or it is the last."""
    at = _place(catalogue.parts, number, "part number", lambda one: one.part_number)
    _refuse_while_named(number, [one.part_number for one in catalogue.parts if one.superseded_by == number])
    if len(catalogue.parts) == 1:
        raise Conflict("This is the catalogue's last part.")
    parts = (*catalogue.parts[:at], *catalogue.parts[at + 1 :])
    return Edit(replace(catalogue, parts=parts), number, f"part {number} taken out")


def take_out_core(catalogue: Catalogue, code: str) -> Edit:
    """Take a core out; raises `NotFound`, and `Conflict` while there are parts on it."""
    at = _place(catalogue.cores, code, "core", lambda one: one.code)
    _refuse_while_named(code, [one.part_number for one in catalogue.parts if one.core == code])
    cores = (*catalogue.cores[:at], *catalogue.cores[at + 1 :])
    return Edit(replace(catalogue, cores=cores), code, f"core {code} taken out")


def _stated(stated: object, read: Callable[[object, Path, LengthUnit, FaultList], Thing | None]) -> Thing:
    """What is stated, as a value. The revision that an answer carries may be there too, and says nothing."""
    faults = FaultList(json_pointer)
    if isinstance(stated, dict):
        said: dict[str, Any] = dict(stated)
        revision = said.pop("catalogue_revision", 1)
        if isinstance(revision, bool) or not isinstance(revision, int) or revision < 1:
            faults.add(("catalogue_revision",), "must be a revision's number, or left out")
        stated = said
    thing = read(stated, (), LengthUnit.INCH, faults)
    faults.raise_if_any()
    if thing is None:
        raise RuntimeError("nothing was made of a row without a fault")
    return thing


def _place(things: tuple[Thing, ...], name: str | None, word: str, name_of: Callable[[Thing], str]) -> int:
    """Where the thing of that name stands; the end where none is named."""
    if name is None:
        return len(things)
    for at, thing in enumerate(things):
        if name_of(thing) == name:
            return at
    raise NotFound(f"The catalogue has no such {word}.")


def _check_succession(part: Part, parts: tuple[Part, ...], faults: FaultList) -> None:
    if part.superseded_by is None:
        return
    if all(one.part_number != part.superseded_by for one in parts):
        faults.add(("superseded_by",), f"there is no part number {part.superseded_by}")
        return
    successors = {one.part_number: one.superseded_by for one in parts if one.superseded_by is not None}
    for ring in supersession_rings(successors):
        faults.add(("superseded_by",), f"supersession runs in a circle: {' > '.join((*ring, ring[0]))}")


def _refuse_while_named(name: str, by: list[str]) -> None:
    if by:
        more = f" and {len(by) - _MOST_NAMED} more" if len(by) > _MOST_NAMED else ""
        raise Conflict(f"{name} is named by {', '.join(by[:_MOST_NAMED])}{more}; change them first.")


def _doubts_of_part(whole: Catalogue, at: int) -> tuple[Fault, ...]:
    """What is doubtful about one part beside its neighbours, with pointers into it."""
    # a part is only ever held against others of its core
    part = whole.parts[at]
    neighbours = tuple(one for one in whole.parts if one.core == part.core)
    at = next(place for place, one in enumerate(neighbours) if one is part)
    beside = replace(whole, parts=neighbours)
    found = doubts_of(beside, lambda path: json_pointer(path[2:]) if path[:2] == ("parts", at) else ELSEWHERE)
    return tuple(doubt for doubt in found if doubt.pointer != ELSEWHERE)


def _words(kind: str, name: str, before: str | None) -> str:
    return f"{kind} {name} {'added' if before is None else 'changed'}"
