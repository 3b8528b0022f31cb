"""Lift tables as they were sent, digit for digit: what is kept, and what a sheet is made from again."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property

import numpy as np

from service.domain.catalogue import FollowerKind
from service.domain.readings import Degrees, LobeKind
from service.domain.units import LengthUnit
from service.lobe.analysis import LobeTable, TableSheet
from service.lobe.followers import Follower
from service.lobe.lift_table import RawTable


@dataclass(frozen=True)
class SentLobe:
    """One lobe's rows (angle, lift) in the order they were taken, as written; lengths in the sheet's unit."""

    kind: LobeKind
    rows: tuple[tuple[Decimal, Decimal], ...]
    cylinder: int = 1
    base_circle: Decimal | None = None


@dataclass(frozen=True)
class SentSheet:
    """Lift tables of one shaft on one index under one follower; lengths in `unit`, angles in `degrees`.

    `rising`: angles grow as the shaft turns the way it runs, which was said where `direction_known`. `used`: the shaft
    has run, as far as anybody knows.
    """

    unit: LengthUnit
    degrees: Degrees
    lobes: tuple[SentLobe, ...]
    follower: FollowerKind = FollowerKind.FLAT
    radius: Decimal = Decimal(0)
    offset: Decimal = Decimal(0)
    rising: bool = True
    direction_known: bool = False
    used: bool = True
    rocker_ratio: Decimal | None = None
    lash: Decimal = Decimal(0)

    @cached_property
    def sheet(self) -> TableSheet:
        """The sheet to work out, in millimetres."""
        return TableSheet(
            tuple(self._lobe(lobe) for lobe in self.lobes),
            Follower(self.follower, self.unit.to_mm(self.radius), self.unit.to_mm(self.offset)),
            None if self.rocker_ratio is None else float(self.rocker_ratio),
            self.unit.to_mm(self.lash),
        )

    def _lobe(self, lobe: SentLobe) -> LobeTable:
        rows = np.array([[float(angle), float(lift)] for angle, lift in lobe.rows], float).reshape(-1, 2)
        raw = RawTable(rows[:, 0], rows[:, 1] * float(self.unit.mm), self.degrees, self.rising)
        base = None if lobe.base_circle is None else self.unit.to_mm(lobe.base_circle)
        return LobeTable(lobe.kind, raw, lobe.cylinder, base)
