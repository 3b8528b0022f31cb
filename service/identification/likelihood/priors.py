"""What a row says of a truth before it is measured: its mean and spread, broad where the catalogue states nothing."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from service.domain.arrays import Floats, Ints
from service.identification.catalogue_table.rows import Rows
from service.identification.catalogue_table.table import CatalogueTable, of_core
from service.identification.entries.entries import GroupKey
from service.identification.measuring.model import MeasuringModel
from service.identification.one_lobe.lobe_integral import LobePrior

_UNKNOWN_LOBE_SD_MM = 1.0
_UNKNOWN_LOBE_LOG = math.log(0.02)
"""A reading on a lobe that a part does not have: possible (they mixed them up), but it costs."""


def lobe_prior(rows: Rows, lobe: int, wear: float) -> tuple[LobePrior, Floats]:
    """What the rows say of one kind of lobe, and the log cost for rows that have no such lobe."""
    base, lift = rows.base[:, lobe], rows.lift[:, lobe]
    absent = ~np.isfinite(lift)
    if not absent.any():
        return LobePrior(base, rows.base_sd[:, lobe], lift, rows.lift_sd[:, lobe], wear), np.zeros(rows.size)
    other = 1 - lobe
    return (
        LobePrior(
            np.where(absent, rows.base[:, other], base),
            np.where(absent, _UNKNOWN_LOBE_SD_MM, rows.base_sd[:, lobe]),
            np.where(absent, rows.lift[:, other], lift),
            np.where(absent, _UNKNOWN_LOBE_SD_MM, rows.lift_sd[:, lobe]),
            wear,
        ),
        np.where(absent, _UNKNOWN_LOBE_LOG, 0.0),
    )


def core_width(
    table: CatalogueTable, cores: Ints, key: GroupKey, model: MeasuringModel, used: bool
) -> tuple[Floats, Floats, float]:
    """(mean, sd, wear mean) of a journal or of the length on `cores`; broad where the catalogue states nothing."""
    known: NDArray[np.bool_] = cores >= 0
    if key[0] == "length":
        stated = of_core(table.length, cores)
        all_known = table.length[np.isfinite(table.length)]
        middle, spread = (float(all_known.mean()), float(all_known.std())) if all_known.size else (150.0, 50.0)
        unknown_sd = max(spread, 0.1 * middle)
        unstated = ~np.isfinite(stated)
        return np.where(unstated, middle, stated), np.where(unstated, unknown_sd, model.length_making_sd), 0.0
    position = int(str(key[1]))
    stated, sd = of_core(table.journal[:, position], cores), of_core(table.journal_sd[:, position], cores)
    unstated = ~np.isfinite(stated)
    if unstated.any():
        own = np.stack([of_core(table.journal[:, k], cores) for k in range(3)], axis=1)
        counts = np.isfinite(own).sum(axis=1)
        others = np.nansum(own, axis=1) / np.maximum(counts, 1)
        has = known & (counts > 0)
        stated = np.where(unstated, np.where(has, others, table.journal_mean), stated)
        sd = np.where(unstated, np.where(has, 1.5, 1.3 * table.journal_spread), sd)
    return stated, sd, model.journal_wear_mean if used else 0.0
