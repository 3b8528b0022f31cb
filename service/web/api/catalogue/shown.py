"""Catalogue values as JSON, in the form in which a catalogue is imported, so that what is read can be sent back.

Sizes come in the unit they were stated in, digit for digit, unless another unit is asked for.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from service.domain.catalogue import Core, LiftTable, LobeNominal, Part, Tolerance
from service.domain.errors import Fault
from service.domain.readings import Degrees
from service.domain.units import LengthUnit
from service.identification.look_alikes import LookAlike, Separator
from service.workflows.catalogue_ports import CatalogueRevision
from service.workflows.import_catalogue import ImportReport

Json = dict[str, Any]

MOST_DECIMALS = 8
"""What an import takes; a size stated in one unit and shown in the other is rounded there, unless it comes out."""

LOOK_ALIKES_IN_REPORT = 100
WARNINGS_IN_REPORT = 100


def size(value_mm: float, unit: LengthUnit) -> str:
    """A size to all its digits, at least as many decimals as that unit is shown with."""
    # the shortest decimal of a float is the one it was read from
    value = Decimal(repr(float(value_mm))) / unit.mm
    text = f"{value:.{MOST_DECIMALS}f}"
    whole, _, decimals = text.partition(".")
    return f"{whole}.{decimals.rstrip('0').ljust(unit.decimals, '0')}"


def number(value: float) -> str:
    """An angle or a ratio to all its digits."""
    return f"{Decimal(repr(float(value))).normalize():f}"


def core_json(core: Core, unit: LengthUnit | None) -> Json:
    """A core, in `unit` or as stated."""
    unit = unit or core.unit
    shown: Json = {
        "code": core.code,
        "name": core.name,
        "unit": unit.value,
        "engine_families": list(core.engine_families),
        "gear_teeth": core.gear_teeth,
        "overall_length": None if core.overall_length_mm is None else size(core.overall_length_mm, unit),
    }
    journals = [
        {"position": journal.position.value, "diameter": size(journal.diameter_mm, unit)}
        | _limits(journal.tolerance, unit)
        for journal in core.journals
    ]
    return shown | {"journals": journals}


def part_json(part: Part, unit: LengthUnit | None) -> Json:
    """A part, in `unit` or as stated."""
    unit = unit or part.unit
    separation = part.lobe_separation_cam_deg
    return {
        "part_number": part.part_number,
        "core": part.core,
        "unit": unit.value,
        "title": part.title,
        "status": part.status.value,
        "superseded_by": part.superseded_by,
        "units_sold": part.units_sold,
        "lobe_separation": None if separation is None else number(separation),
        "lobes": {kind.value: _lobe(lobe, unit) for kind, lobe in part.lobes.items()},
    }


def _limits(tolerance: Tolerance | None, unit: LengthUnit) -> Json:
    if tolerance is None:
        return {}
    return {"minus": size(tolerance.minus_mm, unit), "plus": size(tolerance.plus_mm, unit)}


def _lobe(lobe: LobeNominal, unit: LengthUnit) -> Json:
    tolerances = {"lift": lobe.lift_tolerance, "base_circle": lobe.base_circle_tolerance}
    shown: Json = {
        "lift": size(lobe.lift_mm, unit),
        "base_circle": size(lobe.base_circle_mm, unit),
        "lash": None if lobe.lash_mm is None else size(lobe.lash_mm, unit),
        "rocker_ratio": None if lobe.rocker_ratio is None else number(lobe.rocker_ratio),
        "tolerances": {name: _limits(limits, unit) for name, limits in tolerances.items() if limits is not None},
        "durations": [
            {"checking_lift": size(stated.checking_lift_mm, unit), "crank_degrees": number(stated.crank_deg)}
            for stated in lobe.durations
        ],
    }
    return shown | ({} if lobe.lift_table is None else {"lift_table": _lift_table(lobe.lift_table, unit)})


def _lift_table(table: LiftTable, unit: LengthUnit) -> Json:
    radius = {} if table.roller_radius_mm is None else {"radius": size(table.roller_radius_mm, unit)}
    return {
        "follower": {"kind": table.follower.value} | radius,
        "angle": Degrees.CAM.value,
        "table": [[number(angle), size(lift, unit)] for angle, lift in table.points],
    }


_UNIT_OF_DIFFERENCE: Mapping[Separator, str] = {
    Separator.GEAR_TEETH: "teeth",
    Separator.DURATION: "crank_degrees",
    Separator.LOBE_SEPARATION: "cam_degrees",
    Separator.BENCH: "crank_degrees",
}


def look_alike_json(pair: LookAlike, unit: LengthUnit) -> Json:
    """Two look-alikes, lengths in `unit`."""
    difference: Json | None = None
    if pair.difference is not None:
        is_length = pair.separated_by not in _UNIT_OF_DIFFERENCE
        difference = {
            "value": unit.show(pair.difference) if is_length else number(round(pair.difference, 3)),
            "unit": unit.value if is_length else _UNIT_OF_DIFFERENCE[pair.separated_by],
        }
    return {
        "part_number": pair.part_number,
        "other": pair.other,
        "core": pair.core,
        "other_core": pair.other_core,
        "sizes_apart": unit.show(pair.sizes_apart_mm),
        "separated_by": pair.separated_by.value,
        "difference": difference,
        "where": pair.where,
        "wrong_guesses": round(pair.wrong, 4),
        "wrong_guesses_then": round(pair.wrong_then, 4),
        "in_kit": pair.in_kit,
    }


def revision_json(revision: CatalogueRevision) -> Json:
    """A revision."""
    return {
        "revision": revision.number,
        "state": revision.state,
        "made_by": revision.made_by,
        "reason": revision.reason,
        "made_at": revision.made_at.isoformat(),
        "cores": revision.cores,
        "parts": revision.parts,
    }


def report_json(report: ImportReport, unit: LengthUnit, doubts: tuple[Fault, ...]) -> Json:
    """What an import brought, and what is doubtful about it."""
    return {
        "revision": report.revision,
        "unit": unit.value,
        "cores": report.cores,
        "parts": report.parts,
        "lift_tables": report.lift_tables,
        "look_alike_pairs": len(report.look_alikes),
        "look_alikes": [look_alike_json(pair, unit) for pair in report.look_alikes[:LOOK_ALIKES_IN_REPORT]],
        "warning_count": len(doubts),
        "warnings": [{"pointer": doubt.pointer, "detail": doubt.detail} for doubt in doubts[:WARNINGS_IN_REPORT]],
    }
