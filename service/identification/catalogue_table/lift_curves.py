"""The catalogue's lobes as lift curves under a flat follower, made once a revision.

A part with a lift table has its own curve; one without has the typical lobe of its lift that meets its stated
durations (`service.lobe.timing.guess_durations`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from service.domain.arrays import Floats
from service.domain.catalogue import Catalogue, FollowerKind, LiftTable, LobeNominal
from service.identification.catalogue_table.table import LOBES, CatalogueTable
from service.lobe.followers import Follower, flat_from
from service.lobe.matching import GRID_DEG
from service.lobe.timing import CRANK_DEG_PER_CAM_DEG, centred, guess_durations

Flags = NDArray[np.bool_]

_CHORDS = np.linspace(0.2, 0.8, 13)
"""As the centre of a measured lobe is found (`service.lobe.figures`)."""
_FINE_DEG = np.arange(-180.0, 180.0, 0.25)
_LEVELS = np.concatenate([[0.0, 0.002, 0.006, 0.015, 0.03], np.linspace(0.06, 0.98, 24), [0.995, 1.0]])


@dataclass(frozen=True, eq=False)
class CatalogueCurves:
    """Lift on `GRID_DEG` about each lobe's centre: `lift` (2, N, G), intake and exhaust; NaN for a lobe it has not.

    `tabled` (2, N): whether the catalogue gives the lobe's table.
    """

    lift: Floats
    tabled: Flags


def build_curves(catalogue: Catalogue, table: CatalogueTable) -> CatalogueCurves:
    """The curves of a revision; linear in the number of parts."""
    n = len(catalogue.parts)
    lift = np.full((2, n, GRID_DEG.size), np.nan)
    tabled = np.zeros((2, n), bool)
    for k, kind in enumerate(LOBES):
        lift[k] = _typical(table.duration_at[:, k], table.duration[:, k], table.lift[:, k], _usual_duration(table))
        for i, part in enumerate(catalogue.parts):
            lobe = part.lobes.get(kind)
            if lobe is not None and lobe.lift_table is not None:
                own = _tabled(lobe, lobe.lift_table)
                if own is not None:
                    lift[k, i], tabled[k, i] = own, True
    return CatalogueCurves(lift, tabled)


def _usual_duration(table: CatalogueTable) -> tuple[float, float]:
    """(checking lift, crank degrees) to take where a part states none."""
    at, crank = float(table.duration_mean_at[0]), float(table.duration_mean[0])
    return (1.27, 230.0) if np.isnan(at) else (at, crank)


def _typical(at: Floats, crank: Floats, lifts: Floats, usual: tuple[float, float]) -> Floats:
    """The typical lobe of each lift through its known durations, (N, G)."""
    n = lifts.size
    at, crank = at.copy(), crank.copy()
    none = ~np.isfinite(crank).any(axis=1)
    at[none, 0], crank[none, 0] = usual
    found = np.full((n, GRID_DEG.size), np.nan)
    whole = np.isfinite(lifts)
    if not whole.any():
        return found
    half = np.empty((int(whole.sum()), _LEVELS.size))
    for j, level in enumerate(_LEVELS):
        half[:, j] = guess_durations(at[whole], crank[whole], lifts[whole], level * lifts[whole])
    half = np.minimum.accumulate(np.nan_to_num(half), axis=1) / (2 * CRANK_DEG_PER_CAM_DEG)
    reach = np.abs(GRID_DEG)
    rows = [np.interp(reach, widths[::-1], _LEVELS[::-1], right=0.0) for widths in half]
    found[whole] = np.array(rows) * lifts[whole][:, None]
    return found


def _tabled(lobe: LobeNominal, table: LiftTable) -> Floats | None:
    """A stated table about its centre, under a flat face; None where it has too few points to follow."""
    angles, lifts = centred(table.points)
    if angles.size < 6:
        return None
    curve = CubicSpline(angles, lifts)
    fine = np.where((angles[0] <= _FINE_DEG) & (angles[-1] >= _FINE_DEG), np.maximum(curve(_FINE_DEG), 0.0), 0.0)
    if table.follower is not FollowerKind.FLAT:
        follower = Follower(table.follower, table.roller_radius_mm or 0.0)
        fine = flat_from(follower, lobe.base_circle_mm / 2, np.radians(_FINE_DEG), fine)[0]
    return np.asarray(np.interp(_centre(fine) + GRID_DEG, _FINE_DEG, fine, left=0.0, right=0.0))


def _centre(fine: Floats) -> float:
    top = int(fine.argmax())
    levels = _CHORDS * fine[top]
    opens = np.interp(levels, np.maximum.accumulate(fine[: top + 1]), _FINE_DEG[: top + 1])
    closes = np.interp(levels, np.maximum.accumulate(fine[top:][::-1]), _FINE_DEG[top:][::-1])
    return float((opens + closes).mean() / 2)
