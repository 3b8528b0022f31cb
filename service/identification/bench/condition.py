"""A measured lobe beside the part it was matched to: what is gone from its nose, and whether it was ground again; and
beside the other lobes of its shaft: which is unlike them.

Figures only, with their uncertainty; the words that stay on the side of caution are `documents`'.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from service.domain.readings import LobeKind
from service.identification.catalogue_table.lift_curves import CatalogueCurves
from service.identification.catalogue_table.table import LOBES, CatalogueTable
from service.identification.entries.table_evidence import observed_of, spreads_of
from service.identification.measuring.model import MeasuringModel
from service.lobe.analysis import LobeReport, SheetReport
from service.lobe.cleaning import CorrectionKind
from service.lobe.figures import Figure
from service.lobe.matching import Loss, Observed, loss_beside
from service.lobe.standing_out import Standout, standing_out

REGROUND_FROM_MM = 0.1
"""A base circle this much under its nominal, beyond its making and the reading's doubt, has been ground again."""
BENCH_BASE_SD_MM = 0.01
"""Standard uncertainty of a base circle measured at the bench (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class LobeCondition:
    """A lobe beside its part. `nose_loss` in mm, positive where metal is missing; `curve` where the part has a table.

    `undersize` is how much smaller than nominal the base circle is, None where it was not measured; `runout_mm` the
    once-per-turn swing on the base circle, which a bent shaft or worn centres give as well as a base circle ground
    off centre.
    """

    part_number: str
    nose_loss: Figure
    curve: Loss | None
    observed: Observed
    undersize: Figure | None
    runout_mm: float | None

    @property
    def worn(self) -> bool:
        """Whether the nose has lost more than chance and making explain."""
        return self.nose_loss.value > 2 * self.nose_loss.sd

    @property
    def reground(self) -> bool | None:
        """Whether the base circle says it has been ground again; None where it does not say."""
        if self.undersize is None:
            return None
        return self.undersize.value > REGROUND_FROM_MM and self.undersize.value > 3 * self.undersize.sd


def lobe_condition(
    lobe: LobeReport, part: int, curves: CatalogueCurves, table: CatalogueTable, model: MeasuringModel
) -> LobeCondition | None:
    """The condition of a lobe taken to be part `part`'s; None where part or table cannot be compared."""
    seen, kind = observed_of(lobe), LOBES.index(lobe.lobe.kind)
    nominal = curves.lift[kind, part]
    if seen is None or np.isnan(nominal[0]):
        return None
    spreads = spreads_of(model)
    curve, loss = None, Figure(0.0, 0.0)
    if curves.tabled[kind, part]:
        as_turned, mirrored = (loss_beside(seen, n, spreads) for n in (nominal, nominal[::-1]))
        curve = min(as_turned, mirrored, key=lambda side: float(np.square(side.loss / side.sd).sum()))
        loss = curve.nose
    else:
        missing = float(table.lift[part, kind]) - seen.height_mm
        loss = Figure(missing, math.hypot(seen.height.sd, float(table.lift_sd[part, kind])))
    undersize = None
    if lobe.lobe.base_circle_mm is not None:
        sd = math.hypot(BENCH_BASE_SD_MM, float(table.base_sd[part, kind]))
        undersize = Figure(float(table.base[part, kind]) - lobe.lobe.base_circle_mm, sd)
    runout = next((c.size_mm for c in lobe.table.corrections if c.kind is CorrectionKind.RUNOUT), None)
    return LobeCondition(table.part_numbers[part], loss, curve, seen, undersize, runout)


class Compared(StrEnum):
    """What lobes of one kind are compared by."""

    LIFT = "lift"
    BASE_CIRCLE = "base_circle"


@dataclass(frozen=True)
class OddLobe:
    """A lobe unlike the others of its kind on its shaft; `standout` counts by cylinder, in mm."""

    kind: LobeKind
    by: Compared
    standout: Standout


def odd_lobes(report: SheetReport, model: MeasuringModel) -> tuple[OddLobe, ...]:
    """The lobes of a sheet whose lift or base circle is unlike the others' of their kind beyond measuring and making.

    No catalogue is consulted. Each lobe strays from its part as the model says that lobes are made, one as if apart
    from the next; a shaft's lobes are ground in one setting and stray less, so this rather says nothing.
    """
    found = []
    for kind in LobeKind:
        lobes = [each for each in report.lobes if each.lobe.kind is kind]
        lifts = {
            each.lobe.cylinder: Figure(each.figures.lift.value, math.hypot(each.figures.lift.sd, model.lift_making_sd))
            for each in lobes
        }
        base_sd = math.hypot(BENCH_BASE_SD_MM, model.base_making_sd)
        bases = {
            each.lobe.cylinder: Figure(each.lobe.base_circle_mm, base_sd)
            for each in lobes
            if each.lobe.base_circle_mm is not None
        }
        for by, figures in ((Compared.LIFT, lifts), (Compared.BASE_CIRCLE, bases)):
            found += [OddLobe(kind, by, standout) for standout in standing_out(figures)]
    return tuple(found)
