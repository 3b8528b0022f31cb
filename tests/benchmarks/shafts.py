"""Shafts in the hand: which part (or whose), ground how closely, worn how far, ground again or not."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from service.domain.catalogue import Catalogue, Core, LobeNominal, Part, Tolerance
from service.domain.readings import Condition, LobeKind, Position
from tests.benchmarks.worlds import World

LobeKey = tuple[LobeKind, int]
"""A lobe of a shaft: its kind and its cylinder, from 1."""


@dataclass(frozen=True)
class Origin:
    """What a shaft was made as. `part_number` is None for a stranger, and `core_known` says how far a one."""

    part: Part
    core: Core
    part_number: str | None
    core_known: bool = True

    @property
    def is_near(self) -> bool:
        """True for a stranger on a core of the catalogue."""
        return self.part_number is None and self.core_known


@dataclass(frozen=True)
class Shaft:
    """The true sizes of one shaft, in millimetres and degrees."""

    origin: Origin
    condition: Condition
    undersize: float
    journals: Mapping[Position, float]
    base: Mapping[LobeKey, float]
    lift: Mapping[LobeKey, float]
    length: float | None
    separation: float
    shape: Mapping[LobeKind, float]
    span: Mapping[LobeKind, float]
    duration_off: Mapping[LobeKind, float]
    rocker_ratio: Mapping[LobeKind, float]
    lash: Mapping[LobeKind, float]

    @property
    def kinds(self) -> tuple[LobeKind, ...]:
        """The kinds of lobe it carries."""
        return tuple(self.origin.part.lobes)

    def duration(self, kind: LobeKind, checking_lift: float) -> float:
        """True crank degrees above `checking_lift` (mm) at the lobe; 0 where the lobe never gets there."""
        lift = self.origin.part.lobes[kind].lift_mm  # wear takes the nose, not the flanks
        if checking_lift >= lift:
            return 0.0
        open_share = math.sqrt(1 - (checking_lift / lift) ** (1 / self.shape[kind]))
        return self.span[kind] * open_share + self.duration_off[kind]


class Supply:
    """Where shafts come from: a catalogue, and how many of each part are about."""

    def __init__(self, catalogue: Catalogue, world: World, rng: np.random.Generator) -> None:
        self.catalogue = catalogue
        self.cores = {core.code: core for core in catalogue.cores}
        self.by_core: dict[str, list[Part]] = {}
        for part in catalogue.parts:
            self.by_core.setdefault(part.core, []).append(part)
        stated = [part.units_sold for part in catalogue.parts if part.units_sold is not None]
        usual = float(np.median(stated)) if stated else 1.0
        units = np.array([usual if part.units_sold is None else part.units_sold for part in catalogue.parts], float)
        demand = np.maximum(units, 0.5) * np.exp(world.demand_spread * rng.standard_normal(len(units)))
        self.chance = demand / demand.sum()
        self.cumulative = np.cumsum(self.chance)

    def origin(self, world: World, rng: np.random.Generator) -> Origin:
        """A part by its share of callers, or a stranger."""
        if rng.random() >= world.stranger_share:
            at = min(int(np.searchsorted(self.cumulative, rng.random())), len(self.chance) - 1)
            part = self.catalogue.parts[at]
            return Origin(part, self.cores[part.core], part.part_number)
        return self._near(world, rng) if rng.random() < world.near_share else self._far(world, rng)

    def _near(self, world: World, rng: np.random.Generator) -> Origin:
        """A core that we know with a lift that we do not sell."""
        sold = self.catalogue.parts[int(rng.integers(len(self.catalogue.parts)))]
        rivals = self.by_core[sold.core]
        while True:
            part = _reshaped(sold, world, world.near_base_spread, rng)
            if all(_lift_apart(part, rival) >= world.near_lift_gap for rival in rivals):
                return Origin(part, self.cores[sold.core], None)

    def _far(self, world: World, rng: np.random.Generator) -> Origin:
        """A core that nobody here knows."""
        template = self.catalogue.parts[int(rng.integers(len(self.catalogue.parts)))]
        core = self.cores[template.core]
        known = [other.journals[0].diameter_mm for other in self.catalogue.cores]
        while True:
            shift = rng.uniform(-world.far_journal_reach, world.far_journal_reach)
            front = core.journals[0].diameter_mm + shift
            if front > 5 and min(abs(front - diameter) for diameter in known) >= world.far_journal_gap:
                break
        journals = tuple(replace(j, diameter_mm=max(j.diameter_mm + shift, 5.0)) for j in core.journals)
        length = core.overall_length_mm and core.overall_length_mm + rng.normal(0, 12)
        teeth = core.gear_teeth and core.gear_teeth + int(rng.integers(-3, 4))
        strange = replace(
            core, code="", journals=journals, overall_length_mm=length, gear_teeth=teeth, engine_families=()
        )
        return Origin(_reshaped(template, world, world.far_base_spread, rng), strange, None, core_known=False)


def _lift_apart(one: Part, other: Part) -> float:
    if one.lobes.keys() != other.lobes.keys():
        return math.inf
    return max(abs(lobe.lift_mm - other.lobes[kind].lift_mm) for kind, lobe in one.lobes.items())


def _reshaped(part: Part, world: World, base_spread: float, rng: np.random.Generator) -> Part:
    """Somebody else's grind of the same general kind as `part`."""
    base_off = rng.normal(0, base_spread)
    single = rng.random() < world.near_single_pattern
    lobes: dict[LobeKind, LobeNominal] = {}
    lift_off = rng.uniform(-world.near_lift_reach, world.near_lift_reach)
    first: LobeNominal | None = None
    for kind, lobe in part.lobes.items():
        if first is not None and single:
            lobes[kind] = first
            continue
        lift = max(lobe.lift_mm + lift_off, 1.0)
        first = LobeNominal(lift_mm=lift, base_circle_mm=max(lobe.base_circle_mm + base_off, 5.0))
        lobes[kind] = first
        lift_off = rng.uniform(-world.near_lift_reach, world.near_lift_reach)
    return replace(part, part_number="", lobes=lobes, superseded_by=None)


def _made(nominal: float, tolerance: Tolerance | None, spread: float, world: World, rng: np.random.Generator) -> float:
    """A made size: within a stated band by a beta law, else normal about the nominal."""
    if tolerance is None or tolerance.minus_mm + tolerance.plus_mm == 0:
        return nominal + rng.normal(0, spread)
    share = rng.beta(world.band_shape, world.band_shape)
    return nominal - tolerance.minus_mm + share * (tolerance.minus_mm + tolerance.plus_mm)


def _gamma(mean: float, shape: float, rng: np.random.Generator) -> float:
    return float(rng.gamma(shape, mean / shape)) if mean > 0 else 0.0


def _lobe_curve(lobe: LobeNominal, rng: np.random.Generator) -> tuple[float, float]:
    """(shape q, whole span in crank degrees) of lift L (1 - u^2)^q that keeps to the durations stated, or any."""
    points = sorted((d.checking_lift_mm, d.crank_deg) for d in lobe.durations if d.checking_lift_mm < lobe.lift_mm)
    shape = rng.uniform(1.8, 3.0)

    def width(checking_lift: float, q: float) -> float:
        return math.sqrt(1 - (checking_lift / lobe.lift_mm) ** (1 / q))

    if len(points) >= 2:
        (low, longer), (high, shorter) = points[0], points[-1]
        trials = np.linspace(1.0, 6.0, 251)
        misfit = [abs(width(high, q) / width(low, q) - shorter / longer) for q in trials]
        shape = float(trials[int(np.argmin(misfit))])
    if points:
        checking_lift, crank_deg = points[len(points) // 2]
        return shape, crank_deg / width(checking_lift, shape)
    return shape, rng.normal(235, 14) / width(min(1.27, lobe.lift_mm / 2), shape)


def draw_shaft(supply: Supply, world: World, rng: np.random.Generator) -> Shaft:
    """One shaft as it lies on a caller's bench."""
    origin = supply.origin(world, rng)
    part, core = origin.part, origin.core
    used = rng.random() < world.used_share
    undersize = 0.0
    if origin.part_number is not None and rng.random() < world.regrind_share:
        undersize = _gamma(world.undersize, world.undersize_shape, rng)
    worn = _gamma(world.journal_wear, world.wear_shape, rng) if used else 0.0
    journals = {
        j.position: _made(j.diameter_mm, j.tolerance, world.journal_spread, world, rng) - worn for j in core.journals
    }
    wear_of_all = _gamma(world.nose_wear, world.wear_shape, rng)
    base: dict[LobeKey, float] = {}
    lift: dict[LobeKey, float] = {}
    for kind, lobe in part.lobes.items():
        for cylinder in (1, 2):
            own_wear = _gamma(world.nose_wear, world.wear_shape, rng)
            wear = (wear_of_all if rng.random() < world.wear_common else own_wear) if used else 0.0
            made_base = _made(lobe.base_circle_mm, lobe.base_circle_tolerance, world.base_spread, world, rng)
            base[kind, cylinder] = made_base - undersize
            made_lift = _made(lobe.lift_mm, lobe.lift_tolerance, world.lift_spread, world, rng)
            lift[kind, cylinder] = made_lift - wear
    length = core.overall_length_mm
    curves = {kind: _lobe_curve(lobe, rng) for kind, lobe in part.lobes.items()}
    separation = part.lobe_separation_cam_deg
    usual_ratio = float(rng.choice([1.0, 1.2, 1.3, 1.5, 1.6]))
    ratio = {kind: lobe.rocker_ratio or usual_ratio for kind, lobe in part.lobes.items()}
    return Shaft(
        origin=origin,
        condition=Condition.USED if used else Condition.NEW,
        undersize=undersize,
        journals=journals,
        base=base,
        lift=lift,
        length=None if length is None else length + rng.normal(0, world.length_spread),
        separation=(rng.normal(108, 2.5) if separation is None else separation)
        + rng.normal(0, world.separation_spread),
        shape={kind: curve[0] for kind, curve in curves.items()},
        span={kind: curve[1] for kind, curve in curves.items()},
        duration_off={kind: rng.normal(0, world.duration_spread) for kind in part.lobes},
        rocker_ratio=ratio,
        lash={kind: 0.1 if lobe.lash_mm is None else lobe.lash_mm for kind, lobe in part.lobes.items()},
    )
