"""Which part numbers are one and the same answer: the benchmark's own reading of the catalogue, not the engine's."""

from __future__ import annotations

from collections.abc import Mapping

from service.domain.catalogue import Catalogue, Part


def same_grind(one: Part, other: Part) -> bool:
    """True where two part numbers state the same core, lifts, base circles, separation and durations."""
    if one.core != other.core or one.lobes.keys() != other.lobes.keys():
        return False
    if one.lobe_separation_cam_deg != other.lobe_separation_cam_deg:
        return False
    for kind, lobe in one.lobes.items():
        twin = other.lobes[kind]
        figures = (lobe.lift_mm, lobe.base_circle_mm, lobe.durations)
        if figures != (twin.lift_mm, twin.base_circle_mm, twin.durations):
            return False
    return True


def classes_of(catalogue: Catalogue) -> Mapping[str, frozenset[str]]:
    """For each part number, the numbers that are the same answer: linked by supersession and of the same grind."""
    parts = {part.part_number: part for part in catalogue.parts}
    group = {number: {number} for number in parts}
    for part in catalogue.parts:
        successor = parts.get(part.superseded_by) if part.superseded_by else None
        if successor is not None and same_grind(part, successor):
            merged = group[part.part_number] | group[successor.part_number]
            for number in merged:
                group[number] = merged
    return {number: frozenset(members) for number, members in group.items()}
