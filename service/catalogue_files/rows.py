"""Checks a catalogue document of the contract's JSON shape, row by row, and makes domain values of it."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import TypeAlias

from service.catalogue_files.faults import FaultList, Path
from service.catalogue_files.fields import Bounds, Fields, is_list, line_of_text
from service.catalogue_files.lobes import read_lobe, read_tolerance
from service.catalogue_files.whole import WholeCheck
from service.domain.catalogue import Catalogue, Core, Journal, Part, PartStatus
from service.domain.readings import LobeKind, Position
from service.domain.units import LengthUnit

OnProgress: TypeAlias = Callable[[int, int], None]
"""Hears how many of how many have been dealt with."""

PlainPart: TypeAlias = Callable[[int], Part | None]

ROWS_A_STEP = 500

LONGEST_CODE = 40
LONGEST_NUMBER = 60
LONGEST_TITLE = 300

JOURNAL = Bounds("a journal", Decimal(4), Decimal(150))
LENGTH = Bounds("a camshaft's length", Decimal(40), Decimal(1500))

# a part number is also the end of a web address
_NAME_IN_ADDRESS = re.compile(r"(?!\.{1,2}(/|$))[^/]+(/(?!\.{1,2}(/|$))[^/]+)*")


def read_document(
    document: object, faults: FaultList, told: OnProgress | None = None, plain_part: PlainPart | None = None
) -> Catalogue | None:
    """The catalogue of a document; None after adding everything that is wrong with it to `faults`.

    A core or a part without a `unit` of its own is in the document's, and inches where the document states none. Each
    row is asked for once, in order. `told` hears now and then how many parts have been read, of how many. `plain_part`
    may know the part of a row, by its index, without the row.
    """
    top = Fields(document, (), faults, ("unit", "note", "cores", "parts"))
    unit = top.choice("unit", LengthUnit) or LengthUnit.INCH
    top.text("note", longest=2000)
    whole = WholeCheck(faults)
    read_cores = []
    for i, value in enumerate(_rows(top, "cores")):
        path: Path = ("cores", i)
        whole.core(path, value)
        read_cores.append(read_core(value, path, unit, faults))
    read_parts = []
    rows = _rows(top, "parts")
    for i in range(len(rows)):
        path = ("parts", i)
        part = None if plain_part is None else plain_part(i)
        if part is None:
            value = rows[i]
            whole.part_row(path, value)
            part = read_part(value, path, unit, faults)
        else:
            whole.part(path, part.part_number, part.core, part.superseded_by or "")
        read_parts.append(part)
        if told is not None and len(read_parts) % ROWS_A_STEP == 0:
            told(len(read_parts), len(rows))
    whole.finish()
    if len(faults):
        return None
    return Catalogue(
        tuple(core for core in read_cores if core is not None), tuple(part for part in read_parts if part is not None)
    )


def _rows(top: Fields, name: str) -> Sequence[object]:
    values = top.list_of(name, required=True)
    if not values and is_list(top.get(name)):
        top.fault(name, "is empty")
    return values


def is_name(text: str) -> bool:
    """Whether a web address may end in this."""
    return _NAME_IN_ADDRESS.fullmatch(text) is not None


def read_units_sold(fields: Fields, name: str) -> int | None:
    """How many have been sold."""
    return fields.whole(name, 0, 2_000_000_000)


def read_lobe_separation(fields: Fields, name: str) -> Decimal | None:
    """Cam degrees."""
    return fields.positive(name, places=3, below=360)


def _name(fields: Fields, name: str, longest: int) -> str | None:
    """A name that is also used in web addresses."""
    text = fields.text(name, required=True, longest=longest)
    if text is not None and not is_name(text):
        fields.fault(name, "must not begin or end with /, nor hold // or a step of dots")
    return text


def read_core(value: object, path: Path, unit: LengthUnit, faults: FaultList) -> Core | None:
    """The core at `path`, in `unit` where it states none; None after adding what is wrong with it to `faults`."""
    before = len(faults)
    known = ("code", "name", "unit", "engine_families", "gear_teeth", "overall_length", "journals")
    fields = Fields(value, path, faults, known)
    unit = fields.choice("unit", LengthUnit) or unit
    code = _name(fields, "code", LONGEST_CODE)
    name = fields.text("name", required=True)
    families: list[str] = []
    for i, family in enumerate(fields.list_of("engine_families")):
        text = line_of_text(family, 100)
        if not text:
            faults.add((*path, "engine_families", i), "must be a line of text of at most 100 characters")
        elif text in families:
            faults.add((*path, "engine_families", i), "this family has been named before")
        else:
            families.append(text)
    teeth = fields.whole("gear_teeth", 4, 400)
    length = fields.length_mm("overall_length", unit, LENGTH)
    journals = _read_journals(fields, unit)
    if code is None or name is None or len(faults) > before:
        return None
    return Core(code, name, journals, tuple(families), teeth, None if length is None else float(length), unit)


def _read_journals(fields: Fields, unit: LengthUnit) -> tuple[Journal, ...]:
    journals: list[Journal] = []
    seen: set[Position] = set()
    entries = fields.list_of("journals", required=True)
    if not entries and is_list(fields.get("journals")):
        fields.fault("journals", "at least one journal is needed")
    for i, entry in enumerate(entries):
        row = Fields(entry, (*fields.path, "journals", i), fields.faults, ("position", "diameter", "minus", "plus"))
        position = row.choice("position", Position, required=True)
        diameter = row.length_mm("diameter", unit, JOURNAL, required=True)
        tolerance = read_tolerance(row, diameter, unit)
        if position in seen:
            row.fault("position", f"the {position} journal has been stated before")
        elif position is not None:
            seen.add(position)
            if diameter is not None:
                journals.append(Journal(position, float(diameter), tolerance))
    order = list(Position)
    return tuple(sorted(journals, key=lambda journal: order.index(journal.position)))


def read_part(value: object, path: Path, unit: LengthUnit, faults: FaultList) -> Part | None:
    """The part at `path`, in `unit` where it states none; None after adding what is wrong with it to `faults`."""
    before = len(faults)
    known = (
        "part_number", "core", "unit", "title", "status", "superseded_by", "units_sold", "lobe_separation", "lobes",
    )  # fmt: skip
    fields = Fields(value, path, faults, known)
    unit = fields.choice("unit", LengthUnit) or unit
    number = _name(fields, "part_number", LONGEST_NUMBER)
    core = fields.text("core", required=True, longest=LONGEST_CODE)
    title = fields.text("title", longest=LONGEST_TITLE) or ""
    successor = fields.text("superseded_by", longest=LONGEST_NUMBER)
    status = fields.choice("status", PartStatus)
    if successor is not None and status not in (None, PartStatus.SUPERSEDED):
        fields.fault("superseded_by", f"a part that is {status} has no successor")
    sold = read_units_sold(fields, "units_sold")
    separation = read_lobe_separation(fields, "lobe_separation")
    lobes = {}
    if fields.get("lobes", required=True) is not None:
        of = Fields(fields.get("lobes"), (*path, "lobes"), faults, tuple(LobeKind))
        for kind in LobeKind:
            if of.get(kind) is not None:
                lobe = read_lobe(of.get(kind), (*of.path, kind), unit, faults)
                if lobe is not None:
                    lobes[kind] = lobe
        if of.is_object and all(of.get(kind) is None for kind in LobeKind):
            fields.fault("lobes", "at least one of intake and exhaust is needed")
    if number is None or core is None or len(faults) > before:
        return None
    return Part(
        part_number=number,
        core=core,
        lobes=lobes,
        title=title,
        status=status or (PartStatus.SUPERSEDED if successor else PartStatus.CURRENT),
        superseded_by=successor,
        units_sold=sold,
        lobe_separation_cam_deg=None if separation is None else float(separation),
        unit=unit,
    )
