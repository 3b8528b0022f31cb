"""A bench's sheet worked out: each lobe's table cleaned, its figures, what a flat face and a caliper would read, and
the figures of the shaft where several lobes share an index."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.domain.catalogue import FollowerKind
from service.domain.readings import LobeKind
from service.domain.units import MM_PER_INCH
from service.lobe.cleaning import CleanTable, clean
from service.lobe.curve import LiftCurve
from service.lobe.figures import LobeFigures, ValveFigures, lobe_figures, valve_figures
from service.lobe.followers import FLAT, Follower, JawReadings, flat_from, jaw_readings
from service.lobe.lift_table import BadTable, RawTable
from service.lobe.shaft import NamedLobe, ShaftFigures, shaft_figures

OVERLAP_AT_MM = 0.050 * float(MM_PER_INCH)
_TURN_POINTS = 1440


@dataclass(frozen=True, eq=False)
class LobeTable:
    """One lobe's table as it came, which lobe it is, and its base circle's diameter where that was measured."""

    kind: LobeKind
    raw: RawTable
    cylinder: int = 1
    base_circle_mm: float | None = None


@dataclass(frozen=True, eq=False)
class TableSheet:
    """Lobe tables on one index under one follower; ratio and lash (mm, at the valve) where the valve is asked for."""

    lobes: tuple[LobeTable, ...]
    follower: Follower = FLAT
    rocker_ratio: float | None = None
    lash_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class FlatForm:
    """What a flat face would lift on the lobe (angles as the table's curve) and what jaws would read round it.

    `hollow`: the outline has hollows that a flat face bridges, so no flat follower can have come off it or run on it.
    `undercut`: the outline asked for would be cut away by the follower that is said to have read it.
    """

    curve: LiftCurve
    jaws: JawReadings | None
    hollow: bool
    undercut: bool


@dataclass(frozen=True, eq=False)
class LobeReport:
    """One lobe worked out. `figures` are on the follower that read it; `flat` is None for want of a base circle."""

    lobe: LobeTable
    table: CleanTable
    figures: LobeFigures
    valve: ValveFigures | None
    flat: FlatForm | None


@dataclass(frozen=True, eq=False)
class SheetReport:
    """A sheet worked out; `shaft` is None for a single lobe."""

    sheet: TableSheet
    lobes: tuple[LobeReport, ...]
    shaft: ShaftFigures | None


def analyse(sheet: TableSheet) -> SheetReport:
    """Work a sheet out. Raises `BadTable` with pointers into `/lobes/N`."""
    reports = []
    for number, lobe in enumerate(sheet.lobes):
        try:
            reports.append(_lobe(lobe, sheet))
        except BadTable as refused:
            raise refused.under(f"/lobes/{number}") from None
    named = tuple(NamedLobe(r.lobe.kind, r.lobe.cylinder, r.figures) for r in reports)
    return SheetReport(sheet, tuple(reports), shaft_figures(named, OVERLAP_AT_MM) if len(named) > 1 else None)


def _lobe(lobe: LobeTable, sheet: TableSheet) -> LobeReport:
    table = clean(lobe.raw)
    valve = None
    if sheet.rocker_ratio is not None:
        valve = valve_figures(table.curve, sheet.rocker_ratio, sheet.lash_mm)
    return LobeReport(lobe, table, lobe_figures(table.curve), valve, flat_form(table.curve, sheet.follower, lobe))


def flat_form(curve: LiftCurve, follower: Follower, lobe: LobeTable) -> FlatForm | None:
    """The lobe under a flat face. A roller's or a point's table needs the base circle for it.

    The curve's covariance is taken over as it is: a small error of the outline moves any follower by nearly the same.
    """
    if lobe.base_circle_mm is None and follower.kind is not FollowerKind.FLAT:
        return None
    if lobe.base_circle_mm is None:
        return FlatForm(curve, None, hollow=False, undercut=False)
    radius = lobe.base_circle_mm / 2
    turn = np.linspace(0, 2 * np.pi, _TURN_POINTS, endpoint=False)
    start = curve.start_deg
    lift = curve.lift(start + np.degrees(turn))
    flat, outline = flat_from(follower, radius, turn, lift)
    if follower.kind is FollowerKind.FLAT:
        # a flat face's own outline has a cusp where it is "hollow": noise of the bend on ramps is not called one
        sharp = bool(outline.radius_mm.min() < -0.1 * radius)
        return FlatForm(curve, jaw_readings(radius, flat), hollow=False, undercut=sharp)
    basis = curve.basis(start + np.degrees(turn))
    coefficients = np.asarray(np.linalg.lstsq(basis, flat, rcond=None)[0], float)
    moved = LiftCurve(curve.start_deg, curve.stop_deg, curve.pieces, coefficients, curve.covariance)
    return FlatForm(moved, jaw_readings(radius, flat), outline.hollow, outline.undercut)
