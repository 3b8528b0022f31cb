"""The look-alike map of a catalogue: which parts a caliper cannot tell apart, and the cheapest thing that can.

Here the rule is a plain one, on stated figures, that a catalogue's owner can check with a ruler; how sure an
identification is comes from the likelihood alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from service.domain.catalogue import Catalogue, Core, Part
from service.domain.readings import LobeKind, Position
from service.identification.table import grind_classes

SIZES_ALIKE_MM = 0.0381
"""Lifts and base circles closer than this (0.0015 in) read alike with a caliper (common practice, no source)."""
JOURNALS_ALIKE_MM = 0.0762
"""Journals closer than this (0.003 in) want a micrometer (common practice, no source)."""
LENGTH_TELLS_MM = 1.0
"""A difference in length that a rule shows (common practice, no source)."""
DURATION_TELLS_DEG = 6.0
"""Crank degrees that a degree wheel in the engine shows (common practice, no source)."""
SEPARATION_TELLS_DEG = 2.0
"""Cam degrees that a degree wheel in the engine shows (common practice, no source)."""

_ABSENT = -1e6
_ROUNDING_MM = 1e-9


class Separator(StrEnum):
    """What tells two look-alikes apart, the cheapest first."""

    GEAR_TEETH = "gear_teeth"
    OVERALL_LENGTH = "overall_length"
    DURATION = "duration"
    LOBE_SEPARATION = "lobe_separation"
    BENCH = "bench"
    """Timing figures differ, by less than can be read in an engine: the shaft must be sent in."""
    NOTHING = "nothing"
    """No stated figure that differs could be read."""


@dataclass(frozen=True)
class LookAlike:
    """Two grinds that a caliper cannot tell apart.

    `sizes_apart_mm` is the largest difference between their stated lifts and base circles. `difference` is by how much
    they differ in what separates them: teeth, millimetres, crank degrees for a duration and the bench, or cam degrees
    for the lobe separation; None where nothing does.
    """

    part_number: str
    other: str
    core: str
    other_core: str
    sizes_apart_mm: float
    separated_by: Separator
    difference: float | None


def indistinct_pairs(catalogue: Catalogue) -> tuple[LookAlike, ...]:
    """Every pair of grinds that carry the same lobes with lifts and base circles alike, on cores with journals alike.

    Part numbers that are one and the same grind count as one, by the number it is now sold under. Pairs come in the
    order of the catalogue's parts. Close to linear in the number of parts (a k-d tree).
    """
    cores = {core.code: core for core in catalogue.cores}
    leaders = sorted(members[0] for members in grind_classes(catalogue.parts))
    parts = [catalogue.parts[i] for i in leaders]
    if len(parts) < 2:
        return ()
    sizes = np.array([_sizes(part) for part in parts])
    journals = np.array([_journals(cores[part.core]) for part in parts])
    scaled = np.hstack([sizes / (SIZES_ALIKE_MM + _ROUNDING_MM), journals / (JOURNALS_ALIKE_MM + _ROUNDING_MM)])
    pairs: NDArray[np.intp] = KDTree(scaled).query_pairs(1.0, p=np.inf, output_type="ndarray")
    pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    apart = np.abs(sizes[pairs[:, 0]] - sizes[pairs[:, 1]]).max(axis=1)
    found = []
    for (i, j), sizes_apart in zip(pairs.tolist(), apart.tolist(), strict=True):
        a, b = parts[i], parts[j]
        separator, difference = cheapest_separator(a, cores[a.core], b, cores[b.core])
        found.append(LookAlike(a.part_number, b.part_number, a.core, b.core, sizes_apart, separator, difference))
    return tuple(found)


def cheapest_separator(a: Part, core_a: Core, b: Part, core_b: Core) -> tuple[Separator, float | None]:
    """What tells two parts with the same lobes apart most cheaply, and by how much they differ in it."""
    if None not in (core_a.gear_teeth, core_b.gear_teeth) and core_a.gear_teeth != core_b.gear_teeth:
        return Separator.GEAR_TEETH, float(abs((core_a.gear_teeth or 0) - (core_b.gear_teeth or 0)))
    if core_a.overall_length_mm is not None and core_b.overall_length_mm is not None:
        length = abs(core_a.overall_length_mm - core_b.overall_length_mm)
        if length >= LENGTH_TELLS_MM:
            return Separator.OVERALL_LENGTH, length
    duration = max((_duration_apart(a, b, kind) for kind in a.lobes), default=0.0)
    if duration >= DURATION_TELLS_DEG:
        return Separator.DURATION, duration
    separation = 0.0
    if a.lobe_separation_cam_deg is not None and b.lobe_separation_cam_deg is not None:
        separation = abs(a.lobe_separation_cam_deg - b.lobe_separation_cam_deg)
    if separation >= SEPARATION_TELLS_DEG:
        return Separator.LOBE_SEPARATION, separation
    if duration > 0 or separation > 0:
        return Separator.BENCH, max(duration, 2 * separation)
    return Separator.NOTHING, None


def _sizes(part: Part) -> tuple[float, ...]:
    return tuple(
        size
        for lobe in (part.lobes.get(kind) for kind in LobeKind)
        for size in ((lobe.lift_mm, lobe.base_circle_mm) if lobe is not None else (_ABSENT, _ABSENT))
    )


def _journals(core: Core) -> tuple[float, ...]:
    stated = {journal.position: journal.diameter_mm for journal in core.journals}
    return tuple(stated.get(position, _ABSENT) for position in Position)


def _duration_apart(a: Part, b: Part, kind: LobeKind) -> float:
    """The largest difference, in crank degrees, between durations stated at one checking lift on both parts' lobe."""
    stated = {round(d.checking_lift_mm, 2): d.crank_deg for d in a.lobes[kind].durations}
    others = {round(d.checking_lift_mm, 2): d.crank_deg for d in b.lobes[kind].durations}
    return max((abs(stated[at] - others[at]) for at in stated.keys() & others.keys()), default=0.0)
