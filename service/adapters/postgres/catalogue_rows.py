"""Rows of the catalogue's tables put together into domain values; the columns are those of `sql/catalogue.sql`."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Any, TypeAlias

from service.domain.catalogue import (
    Core,
    FollowerKind,
    Journal,
    LiftTable,
    LobeNominal,
    Part,
    PartStatus,
    StatedDuration,
    Tolerance,
)
from service.domain.readings import LobeKind, Position
from service.domain.units import LengthUnit

Rows: TypeAlias = Iterable[tuple[Any, ...]]

# looking a member up by its value costs more than all the rest of a row
_KINDS = {kind.value: kind for kind in LobeKind}
_UNITS = {unit.value: unit for unit in LengthUnit}
_STATUSES = {status.value: status for status in PartStatus}


def _tolerance(minus_mm: float | None, plus_mm: float | None) -> Tolerance | None:
    return None if minus_mm is None or plus_mm is None else Tolerance(minus_mm, plus_mm)


def assemble_cores(cores: Rows, journals: Rows) -> tuple[Core, ...]:
    """Cores with their journals, in the order the rows come in."""
    of_core: dict[str, list[Journal]] = defaultdict(list)
    for core, position, diameter, minus, plus in journals:
        of_core[core].append(Journal(Position(position), diameter, _tolerance(minus, plus)))
    return tuple(
        Core(code, name, tuple(of_core[code]), tuple(families), teeth, length, _UNITS[unit])
        for code, name, unit, families, teeth, length in cores
    )


def assemble_parts(parts: Rows, lobes: Rows, durations: Rows, lift_tables: Rows) -> tuple[Part, ...]:
    """Parts with their lobes, in the order the rows of parts come in."""
    its_durations: dict[tuple[str, str], list[StatedDuration]] = defaultdict(list)
    for number, kind, checking_lift, crank_deg in durations:
        its_durations[number, kind].append(StatedDuration(checking_lift, crank_deg))
    its_table: dict[tuple[str, str], LiftTable] = {}
    for number, kind, follower, radius, angles, lifts in lift_tables:
        its_table[number, kind] = LiftTable(FollowerKind(follower), tuple(zip(angles, lifts, strict=True)), radius)
    its_lobes: dict[str, dict[LobeKind, LobeNominal]] = defaultdict(dict)
    for number, kind, lift, base, lash, ratio, lift_minus, lift_plus, base_minus, base_plus in lobes:
        its_lobes[number][_KINDS[kind]] = LobeNominal(
            lift,
            base,
            lash,
            ratio,
            _tolerance(lift_minus, lift_plus),
            _tolerance(base_minus, base_plus),
            tuple(its_durations.get((number, kind), ())),
            its_table.get((number, kind)),
        )
    return tuple(
        Part(number, core, its_lobes[number], title, _STATUSES[status], successor, sold, separation, _UNITS[unit])
        for number, core, unit, title, status, successor, sold, separation in parts
    )
