"""Readings that no tool's zero touches and no other reading shares: timing, counts, and what the caller claims."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from service.domain.arrays import Floats
from service.identification.catalogue_table.rows import Rows
from service.identification.catalogue_table.table import CatalogueTable, of_core
from service.identification.entries.entries import Entry, GroupKey
from service.identification.measuring.model import MeasuringModel
from service.identification.numerics.densities import log_normal
from service.identification.one_lobe.grids import EntryTable
from service.lobe.timing import guess_durations

CLAIMS = ("separation", "duration", "teeth", "family", "table")
"""The groups of entries that are judged here."""

_SAME_CHECKING_LIFT_MM = 0.003
"""Checking lifts this close are one and the same, written in another unit."""

_USUAL_SEPARATION = (109.0, 4.0)
"""Mean and spread in cam degrees of a lobe separation nobody stated (common practice, no source)."""
_USUAL_DURATION_SD = 22.0
"""Spread in crank degrees of a duration nobody stated, about the catalogue's mean (common practice, no source)."""
_UNKNOWN_COUNT = 0.06
"""Chance of any one tooth count on a core that states none."""


def claim_log_density(
    table: CatalogueTable, rows: Rows, key: GroupKey, variants: Sequence[Sequence[Entry]], model: MeasuringModel
) -> Floats:
    """Log-density of one group's entries under each row: (V, K)."""
    name = key[0]
    if name == "teeth":
        return np.stack([_teeth(table, rows, v[0], model) for v in variants])
    if name == "table":
        return np.stack([_lift_tables(rows, v[0]) for v in variants])
    if name == "family":
        return np.stack([_family(table, rows, v[0], model) for v in variants])
    if name == "separation":
        mean, sd = _separation(table, rows, model)
    else:
        mean, sd = expected_duration(table, rows, int(str(key[1])), float(str(key[2])), bool(key[3]), model)
    m, s, constant = EntryTable.of(variants).combined()
    away = m[:, None] - mean[None]
    return log_normal(away, np.hypot(s[:, None], sd[None])) + constant[:, None]


def claim_log_bound(
    table: CatalogueTable, key: GroupKey, variants: Sequence[Sequence[Entry]], model: MeasuringModel
) -> Floats:
    """What no row's `claim_log_density` exceeds: (V,)."""
    name = key[0]
    if name == "teeth":
        return np.full(len(variants), max(math.log(model.teeth_right), math.log(_UNKNOWN_COUNT)))
    if name == "family":
        return np.array([max(_family_logs(table, v[0], model)) for v in variants])
    if name == "table":
        return np.array([max(v[0].per_stranger, float(np.max(_per_part(v[0]), initial=-np.inf))) for v in variants])
    if name == "separation":
        least = min(model.separation_making_sd, _USUAL_SEPARATION[1])
    else:
        least = min(model.duration_making_sd, _USUAL_DURATION_SD)
    _, sd, constant = EntryTable.of(variants).combined()
    return np.asarray(log_normal(np.zeros(sd.size), np.hypot(sd, least)) + constant)


def _per_part(e: Entry) -> Floats:
    return np.zeros(0) if e.per_part is None else e.per_part


def _lift_tables(rows: Rows, e: Entry) -> Floats:
    """A bench's lift tables, worked out beforehand for every part and for a stranger (`table_evidence`)."""
    per_part = _per_part(e)
    if per_part.size == 0:
        return np.full(rows.size, e.per_stranger)
    return np.asarray(np.where(rows.part >= 0, per_part[rows.part], e.per_stranger))


def _stated(values: Floats, rows: Rows) -> Floats:
    """A part's figure for each row, NaN for strangers."""
    if values.size == 0:
        return np.full(rows.size, np.nan)
    return np.asarray(np.where(rows.part >= 0, values[rows.part], np.nan))


def _separation(table: CatalogueTable, rows: Rows, model: MeasuringModel) -> tuple[Floats, Floats]:
    stated = _stated(table.separation, rows)
    known = np.isfinite(stated)
    usual, spread = _USUAL_SEPARATION
    return np.where(known, stated, usual), np.where(known, model.separation_making_sd, spread)


def expected_duration(
    table: CatalogueTable, rows: Rows, lobe: int, checking_lift_mm: float, at_valve: bool, model: MeasuringModel
) -> tuple[Floats, Floats]:
    """(mean, sd) in crank degrees of the duration each row would show above a checking lift, each (K,).

    At the valve, the lobe has lifted (checking lift + lash) / rocker ratio when the valve passes it.
    """
    mean, sd = np.full(rows.size, np.nan), np.full(rows.size, _USUAL_DURATION_SD)
    own = np.flatnonzero(rows.part >= 0)
    if own.size:
        part = rows.part[own]
        at = np.full(own.size, checking_lift_mm)
        if at_valve:
            ratio, lash = table.ratio[part, lobe], table.lash[part, lobe]
            at = (at + np.where(np.isfinite(lash), lash, 0.0)) / np.where(np.isfinite(ratio), ratio, 1.0)
        stated_at, stated = table.duration_at[part, lobe], table.duration[part, lobe]
        far = np.where(np.isfinite(stated_at), np.abs(stated_at - at[:, None]), np.inf)
        nearest = far.argmin(axis=1)
        exact = far[np.arange(own.size), nearest] < _SAME_CHECKING_LIFT_MM
        guessed = guess_durations(stated_at, stated, table.lift[part, lobe], at)
        mean[own] = np.where(exact, stated[np.arange(own.size), nearest], guessed)
        sd[own] = np.where(exact, model.duration_making_sd, np.hypot(model.duration_guess_sd, model.duration_making_sd))
    unknown = ~np.isfinite(mean)
    if unknown.any():
        lift = float(table.lift_mean[lobe])
        everyone = guess_durations(
            table.duration_mean_at[None], table.duration_mean[None], np.array([lift]), checking_lift_mm
        )
        usual = float(everyone[0]) if np.isfinite(everyone[0]) else 230.0
        mean[unknown], sd[unknown] = usual, _USUAL_DURATION_SD
    return mean, sd


def _teeth(table: CatalogueTable, rows: Rows, entry: Entry, model: MeasuringModel) -> Floats:
    stated = np.nan_to_num(of_core(table.teeth.astype(float), rows.core), nan=-1.0)
    away = np.abs(stated - entry.mean)
    # a miscount is most often by one
    wrong = math.log((1 - model.teeth_right) / 2) - 0.9 * np.maximum(away - 1, 0)
    known = np.where(away == 0, math.log(model.teeth_right), np.maximum(wrong, math.log(1e-4)))
    return np.where(stated < 0, math.log(_UNKNOWN_COUNT), known)


def _family_logs(table: CatalogueTable, entry: Entry, model: MeasuringModel) -> tuple[float, float, float]:
    """The logs for a core of the claimed family, for any other, and for a core nobody knows."""
    share = max(1, len(table.cores_named_for.get(entry.claim, ())))
    others = max(1, len(table.families) - 1)
    return math.log(model.family_right / share), math.log((1 - model.family_right) / others), -math.log(others + 1)


def _family(table: CatalogueTable, rows: Rows, entry: Entry, model: MeasuringModel) -> Floats:
    right, wrong, unknown_core = _family_logs(table, entry, model)
    of_core = np.full(len(table.core_codes) + 1, wrong)
    of_core[table.cores_named_for.get(entry.claim, [])] = right
    of_core[-1] = unknown_core
    return of_core[rows.core]
