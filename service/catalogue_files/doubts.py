"""What is probably wrong with a catalogue that can be taken: warnings, each with its place. Nothing is changed by them.

Sizes are held against those of the same core by Tukey's fences: beyond a quarter of the values' own spread below the
first quartile or above the third, one and a half times over (J. W. Tukey, Exploratory Data Analysis, 1977, section 2D).
"""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from service.catalogue_files.faults import Path
from service.domain.catalogue import Catalogue, Core, FollowerKind, LobeNominal, Part, Tolerance
from service.domain.errors import Fault
from service.domain.readings import LobeKind
from service.domain.units import LengthUnit

FENCE = 1.5
FEWEST_NEIGHBOURS = 6
"""With fewer parts on a core nothing can be said of what is usual on it."""
SLACK_MM = 0.25
"""Within about 0.010 in of the usual no size is doubted, however alike the others are (common practice, no source)."""
LONGEST_DURATION_DEG = 400.0
"""Crank degrees that no grind reaches at any checking lift (common practice, no source)."""
LEAST_LASH_MM = 0.02
"""A lash under 0.0008 in is one in inches that was written as millimetres (common practice, no source)."""

WIDEST_LIMIT_MM = 0.25
"""A limit of more than about 0.010 in is one in millimetres that was written as inches (common practice, no source)."""
LEAST_LIMIT_MM = 0.002
"""A limit under 0.0001 in is one in inches that was written as millimetres (common practice, no source)."""

INTAKE, EXHAUST = LobeKind.INTAKE, LobeKind.EXHAUST

Found: TypeAlias = tuple[Path, str]

PlacedLobe: TypeAlias = tuple[int, Part, LobeKind, LobeNominal]
"""A lobe after its kind, its part and the part's place."""


@dataclass(frozen=True)
class Usual:
    """What is usual of one size on one core: the fences, and how far apart the quartiles are."""

    low_mm: float
    high_mm: float
    spread_mm: float

    def holds(self, value_mm: float) -> bool:
        """Whether a value lies within."""
        return self.low_mm <= value_mm <= self.high_mm


def usual_of(values_mm: Sequence[float]) -> Usual | None:
    """The fences of some values; None of too few."""
    if len(values_mm) < FEWEST_NEIGHBOURS:
        return None
    first, _, third = statistics.quantiles(values_mm, n=4, method="inclusive")
    reach = max(FENCE * (third - first), SLACK_MM)
    return Usual(first - reach, third + reach, third - first)


def doubts_of(catalogue: Catalogue, place: Callable[[Path], str]) -> tuple[Fault, ...]:
    """Everything doubtful about a catalogue, in the order of its cores and parts."""
    found = [
        (("cores", i, *path), detail) for i, core in enumerate(catalogue.cores) for path, detail in _core_limits(core)
    ]
    for parts in _by_core(catalogue.parts):
        lobes = [(i, part, kind, lobe) for i, part in parts for kind, lobe in part.lobes.items()]
        for doubts in (_limits, _unlike_neighbours, _durations, _lashes):
            found += doubts(lobes)
        found += _twins(parts)
    found.sort(key=lambda entry: (str(entry[0][0]), int(entry[0][1]), str(entry[0][2:])))
    return tuple(Fault(place(path), detail) for path, detail in found)


def shortest_duration_deg(lift_mm: float, base_circle_mm: float, checking_lift_mm: float) -> float:
    """The least crank degrees that a flat follower can stay above `checking_lift_mm` on a convex lobe.

    A flat face touches a convex lobe at a radius of curvature R + s + s'' >= 0, R the base circle's radius. The lift
    falls fastest where that is zero all the way, s = (R + L) cos(t) - R at t cam degrees from the nose; the face is
    over the checking lift h for arccos((R + h) / (R + L)) on both sides. A real nose is rounder, so this is a bound.
    """
    radius = base_circle_mm / 2
    return 4 * math.degrees(math.acos((radius + checking_lift_mm) / (radius + lift_mm)))


def _by_core(parts: Sequence[Part]) -> Iterator[list[tuple[int, Part]]]:
    """The parts of each core after their places: parts of two cores are never held against each other."""
    places: dict[str, list[int]] = defaultdict(list)
    for i, part in enumerate(parts):
        places[part.core].append(i)
    for of_core in places.values():
        yield [(i, parts[i]) for i in of_core]


def _at(part: int, kind: LobeKind, *further: str | int) -> Path:
    return ("parts", part, "lobes", kind.value, *further)


def _unlike_neighbours(lobes: Sequence[PlacedLobe]) -> Iterator[Found]:
    alike: dict[LobeKind, list[LobeNominal]] = defaultdict(list)
    for _, _, kind, lobe in lobes:
        alike[kind].append(lobe)
    usual = {
        kind: (
            usual_of([lobe.lift_mm for lobe in of_kind]),
            usual_of([lobe.base_circle_mm for lobe in of_kind]),
            usual_of([lobe.height_mm for lobe in of_kind]),
        )
        for kind, of_kind in alike.items()
    }
    for i, part, kind, lobe in lobes:
        lift, base, height = usual[kind]
        if lift is not None and not lift.holds(lobe.lift_mm):
            detail = f"{_shown(lobe.lift_mm, part)} is unlike the {kind} lifts on core {part.core}"
            yield _at(i, kind, "lift"), f"{detail}, {_range(lift, part)}"
        # A core's grinds keep one base circle, or are ground from blanks of one height: whichever is the more alike.
        if base is None or height is None:
            continue
        if base.spread_mm <= height.spread_mm:
            if base.holds(lobe.base_circle_mm):
                continue
            detail = f"base circles there are {_range(base, part)}"
        else:
            if height.holds(lobe.height_mm):
                continue
            detail = f"with the lift, lobes there are {_range(height, part)} high"
        shown = f"{_shown(lobe.base_circle_mm, part)} contradicts core {part.core}: {detail}"
        yield _at(i, kind, "base_circle"), shown


def _durations(lobes: Sequence[PlacedLobe]) -> Iterator[Found]:
    for i, part, kind, lobe in lobes:
        if lobe.lift_table is not None and lobe.lift_table.follower is not FollowerKind.FLAT:
            continue
        for n, stated in enumerate(lobe.durations):
            least = shortest_duration_deg(lobe.lift_mm, lobe.base_circle_mm, stated.checking_lift_mm)
            if stated.crank_deg < least:
                detail = f"{stated.crank_deg:g} crank degrees cannot belong to a lift of {_shown(lobe.lift_mm, part)}"
                detail += f": no convex lobe of it is shorter than {least:.0f} (are these cam degrees?)"
            elif stated.crank_deg > LONGEST_DURATION_DEG:
                detail = f"{stated.crank_deg:g} crank degrees is longer than any grind's"
            else:
                continue
            yield _at(i, kind, "durations", n, "crank_degrees"), detail


def _lashes(lobes: Sequence[PlacedLobe]) -> Iterator[Found]:
    for i, part, kind, lobe in lobes:
        if lobe.lash_mm is not None and 0 < lobe.lash_mm < LEAST_LASH_MM:
            yield _at(i, kind, "lash"), f"{_shown(lobe.lash_mm, part)} is hardly a lash; is it in inches?"


def _core_limits(core: Core) -> Iterator[Found]:
    for j, journal in enumerate(core.journals):
        yield from _limits_of(("journals", j), journal.tolerance, core.unit)


def _limits(lobes: Sequence[PlacedLobe]) -> Iterator[Found]:
    for i, part, kind, lobe in lobes:
        if lobe.lift_tolerance is None and lobe.base_circle_tolerance is None:
            continue
        for name, tolerance in (("lift", lobe.lift_tolerance), ("base_circle", lobe.base_circle_tolerance)):
            if tolerance is not None:
                yield from _limits_of(_at(i, kind, "tolerances", name), tolerance, part.unit)


def _limits_of(path: Path, tolerance: Tolerance | None, unit: LengthUnit) -> Iterator[Found]:
    if tolerance is None:
        return
    for name, limit_mm in (("minus", tolerance.minus_mm), ("plus", tolerance.plus_mm)):
        if limit_mm > WIDEST_LIMIT_MM:
            yield (*path, name), f"{unit.show(limit_mm)} {unit} is wide for a limit; is it in millimetres?"
        elif 0 < limit_mm < LEAST_LIMIT_MM:
            yield (*path, name), f"{limit_mm:g} mm is hardly a limit; is it in inches?"


def _twins(parts: Sequence[tuple[int, Part]]) -> Iterator[Found]:
    """Parts of a core that are ground alike in all that is stated, with nothing to say that one is the other."""
    first: dict[tuple[object, ...], Part] = {}
    exact: dict[tuple[object, ...], Part] = {}
    for i, part in parts:
        # few agree in their sizes, so that all the rest is seldom looked at
        near = first.setdefault((_sizes(part.lobes.get(INTAKE)), _sizes(part.lobes.get(EXHAUST))), part)
        if near is part:
            continue
        exact.setdefault(_stated(near), near)
        twin = exact.setdefault(_stated(part), part)
        if twin is not part and part.superseded_by is None and twin.superseded_by is None:
            yield ("parts", i, "part_number"), f"is stated exactly as {twin.part_number} is; are they one part?"


def _sizes(lobe: LobeNominal | None) -> tuple[float, float] | None:
    return None if lobe is None else (lobe.lift_mm, lobe.base_circle_mm)


def _stated(part: Part) -> tuple[object, ...]:
    return part.core, part.lobe_separation_cam_deg, tuple(sorted(part.lobes.items()))


def _shown(value_mm: float, part: Part) -> str:
    return f"{part.unit.show(value_mm)} {part.unit}"


def _range(usual: Usual, part: Part) -> str:
    unit: LengthUnit = part.unit
    return f"{unit.show(max(usual.low_mm, 0.0))} to {unit.show(usual.high_mm)} {unit}"
