"""The catalogue as arrays, made once a revision and shared by every identification under it.

Arrays are indexed by part (N), by core (C), by lobe kind (2: intake, exhaust) and by journal position (3: front,
middle, rear). What the catalogue does not state is NaN (lengths, angles) or -1 (counts).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from service.domain.arrays import Floats, Ints
from service.domain.catalogue import Catalogue, FollowerKind, LobeNominal, Part, PartStatus
from service.domain.readings import LobeKind, Position
from service.identification.catalogue_table.part_boxes import BoxLevel, Shown, in_boxes, levels, shown
from service.identification.measuring.model import DEFAULT_MODEL, MeasuringModel, making_sd
from service.lobe.timing import duration_at, flank_lift

LOBES = (LobeKind.INTAKE, LobeKind.EXHAUST)
POSITIONS = (Position.FRONT, Position.MIDDLE, Position.REAR)
MOST_DURATIONS = 6
TABLE_FORM = 3
"""Raised whenever the same catalogue and constants make another table: kept ones are told apart by it."""
INCLUDED_ANGLES_DEG = np.linspace(30.0, 150.0, 49)
"""Cam degrees between the two places of a flank width for which a lift table is read beforehand."""
_LEAST_DEMAND = 0.03
"""Added to every part's units sold, as a share of the mean part's: what comes to the desk is not all newly sold."""


@dataclass(frozen=True, eq=False)
class CatalogueTable:
    """A catalogue revision as the engine reads it. Lengths in mm, durations in crank and separations in cam degrees.

    A *class* is a set of part numbers that are one and the same grind on one core; `class_numbers` lists each
    class's part numbers, the current one first.
    """

    part_numbers: tuple[str, ...]
    class_numbers: tuple[tuple[str, ...], ...]
    class_of: Ints  # (N,)
    core_of: Ints  # (N,)
    log_prior: Floats  # (N,) sums to one over parts
    base: Floats  # (N, 2) mean as made
    base_sd: Floats
    lift: Floats  # (N, 2) mean as made
    lift_sd: Floats
    ratio: Floats  # (N, 2) rocker ratio
    lash: Floats  # (N, 2) at the valve
    duration_at: Floats  # (N, 2, MOST_DURATIONS) checking lifts at the lobe
    duration: Floats  # (N, 2, MOST_DURATIONS) crank degrees
    separation: Floats  # (N,)
    flank_row: Ints  # (N, 2) where in flank_lift the lobe's lift table is, -1 for none
    flank_lift: Floats  # (tables, INCLUDED_ANGLES_DEG.size) mean lift at two places so far apart about the nose
    core_codes: tuple[str, ...]
    core_families: tuple[frozenset[str], ...]
    families: frozenset[str]
    journal: Floats  # (C, 3) mean as made
    journal_sd: Floats
    length: Floats  # (C,)
    teeth: Ints  # (C,)
    core_parts: Floats  # (C,) number of parts on the core
    core_base: Floats  # (C, 2) mean base circle of the core's parts
    box_order: Ints  # (N,) part indices so that near ones stand together, see part_boxes
    box_low: Floats  # (things shown, boxes)
    box_high: Floats
    lift_mean: Floats  # (2,) over all parts
    lift_spread: Floats  # (2,)
    duration_mean_at: Floats  # (1,) the checking lift most often stated, NaN where none is
    duration_mean: Floats  # (1,) mean crank degrees stated there
    journal_mean: float
    journal_spread: float

    @cached_property
    def cores_with_parts(self) -> Ints:
        """Indices of the cores that carry any part."""
        return np.flatnonzero(self.core_parts > 0)

    @cached_property
    def box_levels(self) -> tuple[BoxLevel, ...]:
        """The boxes that the parts lie in, the largest first."""
        return levels(self.box_low, self.box_high, self.log_prior[self.box_order])

    @cached_property
    def cores_named_for(self) -> Mapping[str, Ints]:
        """For each engine family, case folded, the indices of its cores."""
        found: dict[str, list[int]] = {}
        for core, families in enumerate(self.core_families):
            for family in families:
                found.setdefault(family, []).append(core)
        return {family: np.array(cores) for family, cores in found.items()}

    @cached_property
    def rocker_ratios(self) -> Mapping[int, tuple[float, ...]]:
        """Every rocker ratio that is stated for a kind of lobe."""
        known = (self.ratio[:, k][np.isfinite(self.ratio[:, k])] for k in range(len(LOBES)))
        return {k: tuple(np.unique(ratios).tolist()) for k, ratios in enumerate(known)}

    def shown_by(self, parts: Ints) -> Shown:
        """What `parts` show to a gauge."""
        core = self.core_of[parts]
        return shown(self.journal[core], self.journal_sd[core], self.length[core], self.base[parts], self.lift[parts])

    def shown_by_cores(self, cores: Ints) -> Shown:
        """What `cores` show, whose lobes are not looked at."""
        nothing = np.full((cores.size, len(LOBES)), np.nan)
        return shown(self.journal[cores], self.journal_sd[cores], self.length[cores], nothing, nothing)


def of_core(values: Floats, cores: Ints) -> Floats:
    """`values` (C,) of each of `cores`, NaN for the core nobody knows (-1)."""
    if values.size == 0:
        return np.full(cores.size, np.nan)
    return np.asarray(np.where(cores >= 0, values[cores], np.nan))


def _known(values: Floats) -> Floats:
    return values[np.isfinite(values)]


def _mean(values: Floats, default: float) -> float:
    known = _known(values)
    return float(known.mean()) if known.size else default


def _spread(values: Floats, least: float) -> float:
    known = _known(values)
    return max(float(known.std()), least) if known.size > 1 else least


def _usual_duration(at: Floats, duration: Floats) -> tuple[Floats, Floats]:
    """The checking lift stated most often and the mean duration there, one element each; NaN where none is."""
    known = np.isfinite(at) & np.isfinite(duration)
    if not known.any():
        return np.array([np.nan]), np.array([np.nan])
    lifts, counts = np.unique(at[known].round(4), return_counts=True)
    most = lifts[counts.argmax()]
    return np.array([most]), np.array([duration[known & (np.abs(at - most) < 1e-3)].mean()])


def _same_grind(a: Part, b: Part) -> bool:
    """Whether two part numbers are ground alike: one core, equal figures wherever both state one."""
    if a.core != b.core or a.lobes.keys() != b.lobes.keys():
        return False
    if None not in (a.lobe_separation_cam_deg, b.lobe_separation_cam_deg) and (
        a.lobe_separation_cam_deg != b.lobe_separation_cam_deg
    ):
        return False
    for kind, lobe in a.lobes.items():
        other = b.lobes[kind]
        if (lobe.lift_mm, lobe.base_circle_mm) != (other.lift_mm, other.base_circle_mm):
            return False
        stated = {d.checking_lift_mm: d.crank_deg for d in lobe.durations}
        if any(stated.get(d.checking_lift_mm, d.crank_deg) != d.crank_deg for d in other.durations):
            return False
    return True


def grind_classes(parts: tuple[Part, ...]) -> list[list[int]]:
    """Part indices grouped into classes of one and the same grind: linked by supersession and ground alike."""
    index = {part.part_number: i for i, part in enumerate(parts)}
    leader = list(range(len(parts)))

    def find(i: int) -> int:
        while leader[i] != i:
            leader[i] = leader[leader[i]]
            i = leader[i]
        return i

    for i, part in enumerate(parts):
        successor = index.get(part.superseded_by or "")
        if successor is not None and _same_grind(part, parts[successor]):
            leader[find(i)] = find(successor)
    classes: dict[int, list[int]] = {}
    for i in range(len(parts)):
        classes.setdefault(find(i), []).append(i)
    order = {PartStatus.CURRENT: 0, PartStatus.DISCONTINUED: 1, PartStatus.SUPERSEDED: 2}
    return [
        sorted(members, key=lambda i: (order[parts[i].status], i != root, parts[i].part_number))
        for root, members in classes.items()
    ]


_USUAL_CHECKING_LIFTS_MM = (0.1524, 0.508, 1.0, 1.27)
"""0.006, 0.020 in, 1 mm, 0.050 in: where durations are read (common practice, no source)."""


def _durations(lobe: LobeNominal) -> list[tuple[float, float]]:
    """(checking lift in mm, crank degrees) as stated, and from a flat follower's lift table at the usual lifts."""
    found = [(d.checking_lift_mm, d.crank_deg) for d in lobe.durations[:MOST_DURATIONS]]
    if lobe.lift_table is not None and lobe.lift_table.follower is FollowerKind.FLAT:
        for checking_lift in _USUAL_CHECKING_LIFTS_MM:
            stated = any(abs(at - checking_lift) < 1e-3 for at, _ in found)
            crank = (
                None if stated or len(found) == MOST_DURATIONS else duration_at(lobe.lift_table.points, checking_lift)
            )
            if crank:
                found.append((checking_lift, crank))
    return found


def _flank_lifts(lobe: LobeNominal) -> Floats | None:
    """The lifts of `INCLUDED_ANGLES_DEG` out of a flat follower's table, which is what flat jaws feel; else None."""
    if lobe.lift_table is None or lobe.lift_table.follower is not FollowerKind.FLAT:
        return None
    found = [flank_lift(lobe.lift_table.points, float(angle)) for angle in INCLUDED_ANGLES_DEG]
    return np.array([np.nan if lift is None else lift for lift in found])


def _lobe_row(lobe: LobeNominal, model: MeasuringModel) -> tuple[float, float, float, float]:
    base_shift, base_sd = making_sd(lobe.base_circle_tolerance, model.base_making_sd, model)
    lift_shift, lift_sd = making_sd(lobe.lift_tolerance, model.lift_making_sd, model)
    return lobe.base_circle_mm + base_shift, base_sd, lobe.lift_mm + lift_shift, lift_sd


def build_table(catalogue: Catalogue, model: MeasuringModel = DEFAULT_MODEL) -> CatalogueTable:
    """The table of a catalogue revision under `model`'s making spreads. Linear in the number of parts."""
    parts, cores = catalogue.parts, catalogue.cores
    n, c = len(parts), len(cores)
    core_index = {core.code: i for i, core in enumerate(cores)}
    base, base_sd, lift, lift_sd, ratio, lash = (np.full((n, 2), np.nan) for _ in range(6))
    checking_lifts = np.full((n, 2, MOST_DURATIONS), np.nan)
    duration = np.full((n, 2, MOST_DURATIONS), np.nan)
    separation = np.full(n, np.nan)
    flank_row = np.full((n, 2), -1)
    flank_lifts: list[Floats] = []
    for i, part in enumerate(parts):
        if part.lobe_separation_cam_deg is not None:
            separation[i] = part.lobe_separation_cam_deg
        for k, kind in enumerate(LOBES):
            lobe = part.lobes.get(kind)
            if lobe is None:
                continue
            base[i, k], base_sd[i, k], lift[i, k], lift_sd[i, k] = _lobe_row(lobe, model)
            ratio[i, k] = np.nan if lobe.rocker_ratio is None else lobe.rocker_ratio
            lash[i, k] = 0.0 if lobe.lash_mm is None else lobe.lash_mm
            curve = _flank_lifts(lobe)
            if curve is not None:
                flank_row[i, k] = len(flank_lifts)
                flank_lifts.append(curve)
            for d, (checking_lift, crank) in enumerate(_durations(lobe)):
                checking_lifts[i, k, d], duration[i, k, d] = checking_lift, crank
    journal, journal_sd = np.full((c, 3), np.nan), np.full((c, 3), np.nan)
    for i, core in enumerate(cores):
        for stated_journal in core.journals:
            k = POSITIONS.index(stated_journal.position)
            shift, journal_sd[i, k] = making_sd(stated_journal.tolerance, model.journal_making_sd, model)
            journal[i, k] = stated_journal.diameter_mm + shift
    classes = grind_classes(parts)
    class_of = np.zeros(n, np.int64)
    for number, members in enumerate(classes):
        class_of[members] = number
    core_of = np.array([core_index[part.core] for part in parts], np.int64)
    stated_sold = np.array([np.nan if part.units_sold is None else part.units_sold for part in parts], float)
    usually_sold = max(_mean(stated_sold, 1.0), 1.0)
    sold = np.where(np.isnan(stated_sold), usually_sold, stated_sold)
    # a part that never sold may still be the one on the bench
    weight = sold + _LEAST_DEMAND * usually_sold
    core_parts = np.bincount(core_of, minlength=c).astype(float)
    core_base = np.full((c, 2), _mean(base.ravel(), 20.0))
    for k in range(2):
        known = np.isfinite(base[:, k])
        count = np.bincount(core_of[known], minlength=c)
        total = np.bincount(core_of[known], base[known, k], minlength=c)
        has = count > 0
        core_base[has, k] = total[has] / count[has]
    usual_at, usual = _usual_duration(checking_lifts, duration)
    length = np.array([np.nan if x.overall_length_mm is None else x.overall_length_mm for x in cores], float)
    box_order, box_low, box_high = in_boxes(shown(journal[core_of], journal_sd[core_of], length[core_of], base, lift))
    return CatalogueTable(
        part_numbers=tuple(part.part_number for part in parts),
        class_numbers=tuple(tuple(parts[i].part_number for i in members) for members in classes),
        class_of=class_of,
        core_of=core_of,
        log_prior=np.log(weight / weight.sum()) if n else np.zeros(0),
        base=base,
        base_sd=base_sd,
        lift=lift,
        lift_sd=lift_sd,
        ratio=ratio,
        lash=lash,
        duration_at=checking_lifts,
        duration=duration,
        separation=separation,
        flank_row=flank_row,
        flank_lift=np.array(flank_lifts, float).reshape(len(flank_lifts), INCLUDED_ANGLES_DEG.size),
        core_codes=tuple(core.code for core in cores),
        core_families=tuple(frozenset(f.strip().casefold() for f in core.engine_families) for core in cores),
        families=frozenset(f.strip().casefold() for core in cores for f in core.engine_families),
        journal=journal,
        journal_sd=journal_sd,
        length=length,
        teeth=np.array([-1 if x.gear_teeth is None else x.gear_teeth for x in cores], np.int64),
        core_parts=core_parts,
        core_base=core_base,
        box_order=box_order,
        box_low=box_low,
        box_high=box_high,
        lift_mean=np.array([_mean(lift[:, k], 8.0) for k in range(2)]),
        duration_mean_at=usual_at,
        duration_mean=usual,
        lift_spread=np.array([_spread(lift[:, k], 1.0) for k in range(2)]),
        journal_mean=_mean(journal.ravel(), 25.0),
        journal_spread=_spread(journal.ravel(), 8.0),
    )
