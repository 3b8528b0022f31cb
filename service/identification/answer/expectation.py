"""What a row leads one to expect of a reading: its nominal, and how far the truth strays about it."""

from __future__ import annotations

import numpy as np

from service.domain.arrays import Floats, Ints
from service.domain.readings import Feature, Reading
from service.identification.catalogue_table.rows import Kind
from service.identification.catalogue_table.table import POSITIONS, of_core
from service.identification.entries.entries import Entry, Truth
from service.identification.likelihood.claims import expected_duration
from service.identification.one_lobe.flank import flank_width
from service.identification.posterior import Posterior


def expectation(posterior: Posterior, rows: Ints, e: Entry, reading: Reading) -> tuple[Floats, Floats]:
    """(expected, spread of the truth about it) of one reading under each of `rows`, in mm or degrees, each (R,).

    NaN where the catalogue states nothing.
    """
    table, model = posterior.table, posterior.model
    core, part = posterior.rows.core[rows], posterior.rows.part[rows]
    if e.truth is Truth.JOURNAL and reading.position is not None:
        k = POSITIONS.index(reading.position)
        wear = model.journal_wear_mean if posterior.used else 0.0
        return of_core(table.journal[:, k], core), np.hypot(of_core(table.journal_sd[:, k], core), wear)
    if e.truth is Truth.LENGTH:
        return of_core(table.length, core), np.full(rows.size, model.length_making_sd)
    if e.truth is Truth.SEPARATION:
        stated = np.where(part >= 0, table.separation[part], np.nan) if table.separation.size else _unstated(rows)
        return stated, np.full(rows.size, model.separation_making_sd)
    if e.truth is Truth.DURATION:
        lobe = int(str(e.group[1]))
        mean, sd = expected_duration(table, posterior.rows.take(rows), lobe, e.checking_lift_mm, e.at_valve, model)
        return np.where(part >= 0, mean, np.nan), sd
    if e.truth in (Truth.BASE, Truth.HEIGHT, Truth.LIFT):
        return _of_lobe(posterior, rows, e, reading)
    if e.truth is Truth.FLANK:
        prior = flank_width(table, posterior.rows.take(rows), e.group, model)
        return prior.base, np.hypot(prior.base_sd, _undersize_sd(posterior, rows))
    if e.truth is Truth.ZERO:
        return np.zeros(rows.size), np.full(rows.size, e.zero_sd)
    return _unstated(rows), _unstated(rows)


def _unstated(rows: Ints) -> Floats:
    return np.full(rows.size, np.nan)


def _undersize_sd(posterior: Posterior, rows: Ints) -> Floats:
    return np.where(posterior.rows.kind[rows] == Kind.REGROUND, posterior.model.regrind_undersize_sd, 0.0)


def _of_lobe(posterior: Posterior, rows: Ints, e: Entry, reading: Reading) -> tuple[Floats, Floats]:
    """Of a base circle, a height, or a lift at the lobe or at the valve."""
    lobe = int(str(e.group[1]))
    own = posterior.rows
    base, lift = own.base[rows, lobe], own.lift[rows, lobe]
    base_sd, lift_sd = own.base_sd[rows, lobe], own.lift_sd[rows, lobe]
    wear = posterior.model.nose_wear_mean if posterior.used else 0.0
    undersize_sd = _undersize_sd(posterior, rows)
    if e.truth is Truth.BASE:
        return np.where(np.isfinite(lift), base, np.nan), np.hypot(base_sd, undersize_sd)
    if e.truth is Truth.HEIGHT:
        return base + lift, np.sqrt(base_sd**2 + lift_sd**2 + wear**2 + undersize_sd**2)
    ratio = float(reading.rocker_ratio or 1) if reading.feature is Feature.VALVE_LIFT else 1.0
    return lift * ratio, np.hypot(lift_sd, wear) * ratio
