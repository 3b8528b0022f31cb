"""A supplier's catalogue: cores, the grinds sold on them, and what each is stated to measure.

Every length is in millimetres (`_mm`), every angle in degrees (`_deg`, and whose degrees in the name).
Values are as stated; making spreads that the catalogue leaves unsaid are the measuring model's to assume. What there is
one of for every part has slots, which halves what a million of them take.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from service.domain.readings import LobeKind, Position
from service.domain.units import LengthUnit


class PartStatus(StrEnum):
    """Whether a part number is still sold."""

    CURRENT = "current"
    SUPERSEDED = "superseded"
    DISCONTINUED = "discontinued"


@dataclass(frozen=True, slots=True)
class Tolerance:
    """A nominal's stated limits, both distances positive: the true size lies in [nominal - minus, nominal + plus]."""

    minus_mm: float
    plus_mm: float


@dataclass(frozen=True)
class Journal:
    """One bearing surface of a core."""

    position: Position
    diameter_mm: float
    tolerance: Tolerance | None = None


@dataclass(frozen=True)
class Core:
    """The casting or billet before grinding; one core fits one family of engines. `unit` is the one it is stated in."""

    code: str
    name: str
    journals: tuple[Journal, ...]
    engine_families: tuple[str, ...] = ()
    gear_teeth: int | None = None
    overall_length_mm: float | None = None
    unit: LengthUnit = LengthUnit.INCH


@dataclass(frozen=True, slots=True)
class StatedDuration:
    """Crank degrees above a checking lift at the lobe."""

    checking_lift_mm: float
    crank_deg: float


class FollowerKind(StrEnum):
    """What rides on the lobe."""

    FLAT = "flat"
    ROLLER = "roller"
    POINT = "point"


@dataclass(frozen=True)
class LiftTable:
    """Lift against cam angle, angle 0 at the nose. `points` are (cam degrees, lift in mm), as given."""

    follower: FollowerKind
    points: tuple[tuple[float, float], ...]
    roller_radius_mm: float | None = None


@dataclass(frozen=True, slots=True)
class LobeNominal:
    """What one kind of lobe of a part is ground to. `lash_mm` is at the valve."""

    lift_mm: float
    base_circle_mm: float
    lash_mm: float | None = None
    rocker_ratio: float | None = None
    lift_tolerance: Tolerance | None = None
    base_circle_tolerance: Tolerance | None = None
    durations: tuple[StatedDuration, ...] = ()
    lift_table: LiftTable | None = None

    @property
    def height_mm(self) -> float:
        """Nose to heel: base circle diameter plus lobe lift."""
        return self.base_circle_mm + self.lift_mm


@dataclass(frozen=True, slots=True)
class Part:
    """One part number: a grind on a core. `lobes` has one or both kinds; `unit` is the one it is stated in.

    `superseded_by` names its successor.
    """

    part_number: str
    core: str
    lobes: dict[LobeKind, LobeNominal]
    title: str = ""
    status: PartStatus = PartStatus.CURRENT
    superseded_by: str | None = None
    units_sold: int | None = None
    lobe_separation_cam_deg: float | None = None
    unit: LengthUnit = LengthUnit.INCH


@dataclass(frozen=True)
class Catalogue:
    """Cores and parts as one whole. Checked where it is read in (`catalogue_files`), not here."""

    cores: tuple[Core, ...]
    parts: tuple[Part, ...]
