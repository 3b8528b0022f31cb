"""A catalogue written out: rows of named cells, the contract's CSV and JSON. What is written reads back as what it was.

Every size comes in the unit its core or part is stated in, digit for digit; the same catalogue gives the same bytes.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Any, TypeAlias

import orjson

from service.catalogue_files.columns import (
    CORE_COLUMNS,
    DURATION,
    LIFT_TABLE_COLUMNS,
    PART_COLUMNS,
)
from service.domain.catalogue import Catalogue, Core, FollowerKind, LiftTable, LobeNominal, Part, Tolerance
from service.domain.errors import InvalidInput
from service.domain.readings import Degrees, LobeKind
from service.domain.units import LengthUnit

Json: TypeAlias = dict[str, Any]
Row: TypeAlias = dict[str, str]

MOST_DECIMALS = 8
"""What an import takes; a size stated in one unit and shown in the other is rounded there, unless it comes out."""


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


def core_json(core: Core, unit: LengthUnit | None = None) -> Json:
    """A core in the contract's JSON, in `unit` or as stated."""
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


def part_json(part: Part, unit: LengthUnit | None = None) -> Json:
    """A part in the contract's JSON, in `unit` or as stated."""
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


def written_json(catalogue: Catalogue) -> bytes:
    """The whole catalogue as JSON, one line a core and one a part."""
    cores = b",\n  ".join(orjson.dumps(core_json(core)) for core in catalogue.cores)
    parts = b",\n  ".join(orjson.dumps(part_json(part)) for part in catalogue.parts)
    return b'{"unit": "in",\n "cores": [\n  ' + cores + b'],\n "parts": [\n  ' + parts + b"]}\n"


def written_csv(catalogue: Catalogue) -> dict[str, str]:
    """The whole catalogue as `cores.csv`, `parts.csv` and, where there are lift tables, `lift_tables.csv`.

    Raises `InvalidInput` for an engine family with a semicolon in it, which a cell of several cannot hold.
    """
    for core in catalogue.cores:
        if any(";" in family for family in core.engine_families):
            raise InvalidInput(f"An engine family of core {core.code} holds a semicolon, which CSV cannot: take JSON.")
    files = {
        "cores.csv": _csv([core_row(core) for core in catalogue.cores], CORE_COLUMNS),
        "parts.csv": _csv([part_row(part) for part in catalogue.parts], PART_COLUMNS),
    }
    tables = [row for part in catalogue.parts for row in _table_rows(part)]
    return files | ({"lift_tables.csv": _csv(tables, LIFT_TABLE_COLUMNS)} if tables else {})


def core_row(core: Core, unit: LengthUnit | None = None) -> Row:
    """A core as the filled cells of its row, by column."""
    unit = unit or core.unit
    shown = core_json(core, unit)
    names = ("code", "name", "unit", "gear_teeth", "overall_length")
    row = {name: str(shown[name]) for name in names if shown[name] is not None}
    row |= {"engine_families": ";".join(core.engine_families)} if core.engine_families else {}
    for journal in shown["journals"]:
        row |= {f"journal.{journal['position']}.{name}": value for name, value in journal.items() if name != "position"}
    return row


def part_row(part: Part, unit: LengthUnit | None = None) -> Row:
    """A part as the filled cells of its row, by column; the points of its lift tables are not among them."""
    shown = part_json(part, unit)
    lobes = shown.pop("lobes")
    row = {name: str(value) for name, value in shown.items() if value not in (None, "")}
    for kind, lobe in lobes.items():
        row |= {f"{kind}.{name}": lobe[name] for name in ("lift", "base_circle", "lash", "rocker_ratio") if lobe[name]}
        for of, limits in lobe["tolerances"].items():
            row |= {f"{kind}.tolerances.{of}.{side}": value for side, value in limits.items()}
        for stated in lobe["durations"]:
            row[f"{kind}.{DURATION}{stated['checking_lift']}"] = stated["crank_degrees"]
        table = part.lobes[LobeKind(kind)].lift_table
        if table is not None and table.follower is not FollowerKind.FLAT:
            row[f"{kind}.lift_table.follower.kind"] = table.follower.value
            if table.roller_radius_mm is not None:
                row[f"{kind}.lift_table.follower.radius"] = lobe["lift_table"]["follower"]["radius"]
    return row


def _table_rows(part: Part) -> Iterator[Row]:
    for kind, lobe in part.lobes.items():
        if lobe.lift_table is not None:
            for angle, lift in lobe.lift_table.points:
                at = {"part_number": part.part_number, "lobe": kind.value, "angle": number(angle)}
                yield at | {"lift": size(lift, part.unit)}


def _csv(rows: list[Row], order: Iterable[str]) -> str:
    """Rows under the columns that any of them fills, in the contract's order; durations after all the others."""
    filled = {name for row in rows for name in row}
    columns = [name for name in order if name in filled]
    columns += sorted(filled - set(columns))
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()
