"""What is said of the catalogue, as JSON; cores and parts themselves are written by `catalogue_files.written`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.catalogue_files.difference import Became, Change
from service.catalogue_files.written import number
from service.domain.errors import Fault
from service.domain.units import LengthUnit
from service.identification.look_alikes.look_alike_map import LookAlike, Separator
from service.workflows.catalogue.import_catalogue import ImportReport
from service.workflows.ports.catalogue import CatalogueRevision

Json = dict[str, Any]

LOOK_ALIKES_IN_REPORT = 100
WARNINGS_IN_REPORT = 100
CHANGES_SHOWN = 1000


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
        "made": report.made,
        "unit": unit.value,
        "cores": report.cores,
        "parts": report.parts,
        "lift_tables": report.lift_tables,
        "look_alike_pairs": len(report.look_alikes),
        "look_alikes": [look_alike_json(pair, unit) for pair in report.look_alikes[:LOOK_ALIKES_IN_REPORT]],
        **warnings_json(doubts),
    }


def warnings_json(doubts: tuple[Fault, ...]) -> Json:
    """What is doubtful about a catalogue that was sent."""
    return {
        "warning_count": len(doubts),
        "warnings": [{"pointer": doubt.pointer, "detail": doubt.detail} for doubt in doubts[:WARNINGS_IN_REPORT]],
    }


def difference_json(start: int, end: int, changes: tuple[Change, ...], most: int = CHANGES_SHOWN) -> Json:
    """What became of the catalogue from one revision to another: the first `most` changes, and how many there are."""
    return {
        "from": start,
        "to": end,
        "change_count": len(changes),
        "counts": {
            kind: {became.value: sum(c.kind == kind and c.became is became for c in changes) for became in Became}
            for kind in ("core", "part")
        },
        "changes": [
            {
                "kind": change.kind,
                "name": change.name,
                "became": change.became.value,
                "fields": [{"field": f.field, "before": f.before, "after": f.after} for f in change.fields],
                "words": change.words,
            }
            for change in changes[:most]
        ],
    }
