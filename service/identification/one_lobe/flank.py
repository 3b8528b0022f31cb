"""The flank width: the jaws' width to one side of the nose and to the other, which tells a lobe's duration.

At any angle t from the nose flat jaws read w(t) = 2 R_b + s(t) + s(t + 180 deg), with s a flat follower's lift. Two
places as far on either side of the nose, an included angle apart and clear of the ramps, have the mean width

    base circle + (s(+included/2) + s(-included/2)) / 2

whose second term a lift table tells, and whose guess from lift and durations carries the spread of shapes that those
leave open. The width moves with the tool's zero and with an undersized base circle just as the base circle does.
"""

from __future__ import annotations

import numpy as np

from service.domain.arrays import Floats, Ints
from service.identification.catalogue_table.rows import Rows
from service.identification.catalogue_table.table import INCLUDED_ANGLES_DEG, CatalogueTable
from service.identification.entries.entries import GroupKey
from service.identification.measuring.model import MeasuringModel
from service.identification.one_lobe.lobe_integral import LobePrior
from service.lobe.timing import guess_flank_lifts

_UNKNOWN_LOBE_SD_MM = 1.0
_USUAL_DURATION = (1.27, 230.0)
"""(mm, crank degrees) of a lobe of which no duration is known at all (common practice, no source)."""


def flank_width(table: CatalogueTable, rows: Rows, key: GroupKey, model: MeasuringModel) -> LobePrior:
    """What each row says of a flank width, as of a base circle: its mean and spread (mm), each (K,)."""
    lobe, included, one_flank = int(str(key[1])), float(str(key[3])), bool(key[4])
    lift = np.where(np.isfinite(rows.lift[:, lobe]), rows.lift[:, lobe], rows.lift[:, 1 - lobe])
    base = np.where(np.isfinite(rows.base[:, lobe]), rows.base[:, lobe], rows.base[:, 1 - lobe])
    lift = np.where(np.isfinite(lift), lift, table.lift_mean[lobe])
    base_sd = np.where(np.isfinite(rows.base_sd[:, lobe]), rows.base_sd[:, lobe], _UNKNOWN_LOBE_SD_MM)
    lift_sd = np.where(np.isfinite(rows.lift_sd[:, lobe]), rows.lift_sd[:, lobe], _UNKNOWN_LOBE_SD_MM)
    at, sd = _known(table, rows, lobe, included, model)
    unknown = np.flatnonzero(~np.isfinite(at))
    if unknown.size:
        usual = np.where(np.isfinite(table.duration_mean), [table.duration_mean_at, table.duration_mean], np.nan)
        known_at, crank = usual[:, 0] if np.isfinite(usual).all() else np.array(_USUAL_DURATION)
        ones = np.ones((unknown.size, 1))
        at[unknown] = guess_flank_lifts(known_at * ones, crank * ones, lift[unknown], included)
        sd[unknown] = np.hypot(model.flank_unknown_sd, np.minimum(lift_sd[unknown], 1.0))
    spread = np.sqrt(base_sd**2 + sd**2 + model.included_angle_sd_mm**2 + (model.one_flank_sd**2 if one_flank else 0))
    # a few kinds of spread rather than one for each row: they are looked up by kind
    return LobePrior(base + at, spread.round(3), np.zeros(rows.size), np.full(rows.size, model.lift_making_sd), 0.0)


def _known(
    table: CatalogueTable, rows: Rows, lobe: int, included: float, model: MeasuringModel
) -> tuple[Floats, Floats]:
    """(mean lift at the two places, its spread) of parts whose table or durations tell it, NaN for the others."""
    at, sd = np.full(rows.size, np.nan), np.full(rows.size, model.flank_guess_sd)
    own = np.flatnonzero(rows.part >= 0)
    if not own.size:
        return at, sd
    part = rows.part[own]
    at[own] = guess_flank_lifts(
        table.duration_at[part, lobe], table.duration[part, lobe], table.lift[part, lobe], included
    )
    row: Ints = table.flank_row[part, lobe]
    for i in np.flatnonzero(row >= 0):
        read = float(np.interp(included, INCLUDED_ANGLES_DEG, table.flank_lift[row[i]], left=np.nan, right=np.nan))
        if np.isfinite(read):
            at[own[i]], sd[own[i]] = read, model.flank_making_sd
    return at, sd
