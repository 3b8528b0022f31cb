"""Several lobes read on one index: separation, overlap, phasing and the order the lobes come in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from service.domain.readings import LobeKind
from service.lobe.figures import Figure, LobeFigures
from service.lobe.timing import CAM_TURN_DEG, CRANK_DEG_PER_CAM_DEG


@dataclass(frozen=True)
class NamedLobe:
    """A lobe's figures and which it is; `cylinder` counts from the front, from 1."""

    kind: LobeKind
    cylinder: int
    figures: LobeFigures


@dataclass(frozen=True)
class Step:
    """The cam degrees from one lobe's centre on to the next one's, as the shaft turns."""

    earlier: NamedLobe
    later: NamedLobe
    cam_deg: Figure


@dataclass(frozen=True)
class ShaftFigures:
    """`separations` are cam degrees by cylinder, `overlaps` crank degrees by cylinder at `overlap_at_mm` of lobe lift.

    `order` are the lobes as their centres come, from the one nearest angle 0; `steps` lead from each to the next and
    back to the first.
    """

    separations: dict[int, Figure]
    overlaps: dict[int, Figure]
    overlap_at_mm: float | None
    order: tuple[NamedLobe, ...]
    steps: tuple[Step, ...]


def shaft_figures(lobes: tuple[NamedLobe, ...], overlap_at_mm: float) -> ShaftFigures:
    """The figures of lobes whose tables share one index. Centres are taken as independent: each has its own table."""
    separations, overlaps = {}, {}
    for cylinder in sorted({lobe.cylinder for lobe in lobes}):
        of = {lobe.kind: lobe.figures for lobe in lobes if lobe.cylinder == cylinder}
        if len(of) == len(LobeKind):
            intake, exhaust = of[LobeKind.INTAKE], of[LobeKind.EXHAUST]
            separations[cylinder] = separation(exhaust.centre, intake.centre)
            overlap = _overlap(exhaust, intake, overlap_at_mm)
            if overlap is not None:
                overlaps[cylinder] = overlap
    order = tuple(sorted(lobes, key=lambda lobe: lobe.figures.centre.value % CAM_TURN_DEG))
    pairs = [*pairwise(order), (order[-1], order[0])] if len(order) > 1 else []
    steps = tuple(Step(a, b, _onwards(a.figures.centre, b.figures.centre)) for a, b in pairs)
    return ShaftFigures(separations, overlaps, overlap_at_mm if overlaps else None, order, steps)


def separation(exhaust_centre: Figure, intake_centre: Figure) -> Figure:
    """Cam degrees between two lobe centres, the shorter way round."""
    apart = (intake_centre.value - exhaust_centre.value) % CAM_TURN_DEG
    return Figure(min(apart, CAM_TURN_DEG - apart), math.hypot(exhaust_centre.sd, intake_centre.sd))


def _onwards(first: Figure, second: Figure) -> Figure:
    return Figure((second.value - first.value) % CAM_TURN_DEG, math.hypot(first.sd, second.sd))


def _overlap(exhaust: LobeFigures, intake: LobeFigures, at_mm: float) -> Figure | None:
    """Crank degrees from intake opening to exhaust closing, both at one lobe lift; negative where they do not overlap.

    The intake follows the exhaust as the shaft turns, less than half a turn later.
    """
    closes = next((d.closes_cam_deg for d in exhaust.durations if abs(d.checking_lift_mm - at_mm) < 1e-6), None)
    opens = next((d.opens_cam_deg for d in intake.durations if abs(d.checking_lift_mm - at_mm) < 1e-6), None)
    if closes is None or opens is None:
        return None
    turns = (intake.centre.value - exhaust.centre.value) % CAM_TURN_DEG
    # both measured from the exhaust's centre, onwards
    opens_after = turns - (intake.centre.value - opens.value)
    closes_after = closes.value - exhaust.centre.value
    value = (closes_after - opens_after) * CRANK_DEG_PER_CAM_DEG
    return Figure(value, math.hypot(closes.sd, opens.sd) * CRANK_DEG_PER_CAM_DEG)
