"""Rows: what a shaft may truly be. Each row is a prior over truths; the likelihood judges them all alike.

    MADE        a part as made
    REGROUND    the same part, base circle undersized by an unknown amount, lift kept
    STRANGER    nobody's part: a core we know with a lift we do not sell, or a core we do not know
    NONSENSE    readings that mean nothing: a flat density over every size, so that nothing ever divides by zero

A stranger whose two lobes are alike (a single-pattern grind) has one lift for both: those rows stand on a grid of
lifts about the measured one, each carrying its share of the prior; a dual-pattern stranger is one broad row.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntEnum

import numpy as np

from service.domain.arrays import Floats, Ints
from service.identification.catalogue_table.table import CatalogueTable
from service.identification.measuring.model import MeasuringModel
from service.identification.numerics.densities import log_normal


class Kind(IntEnum):
    """The hypothesis of making that a row stands for."""

    MADE = 0
    REGROUND = 1
    STRANGER = 2
    NONSENSE = 3


@dataclass(frozen=True, eq=False)
class Rows:
    """K rows; every array's first axis is K. Lengths mm; NaN where the catalogue states nothing."""

    kind: Ints
    part: Ints  # index into the table's parts, -1 for strangers
    core: Ints  # index into the table's cores, -1 for an unknown core
    log_prior: Floats
    base: Floats  # (K, 2)
    base_sd: Floats
    lift: Floats
    lift_sd: Floats
    undersize_sd: Floats  # a stranger's spread of base circles; 0 otherwise

    @property
    def size(self) -> int:
        """K."""
        return int(self.kind.size)

    def take(self, index: Ints | slice) -> Rows:
        """The rows at `index`."""
        return Rows(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


def join(*several: Rows) -> Rows:
    """All rows of all arguments, in order."""
    return Rows(**{f.name: np.concatenate([getattr(r, f.name) for r in several]) for f in fields(Rows)})


def part_rows(table: CatalogueTable, parts: Ints, kind: Kind, log_prior: Floats) -> Rows:
    """Rows for `parts` as made or reground."""
    k = parts.size
    return Rows(
        kind=np.full(k, int(kind), np.int64),
        part=parts.astype(np.int64),
        core=table.core_of[parts],
        log_prior=log_prior,
        base=table.base[parts],
        base_sd=table.base_sd[parts],
        lift=table.lift[parts],
        lift_sd=table.lift_sd[parts],
        undersize_sd=np.zeros(k),
    )


def nonsense_row(model: MeasuringModel) -> Rows:
    """The one row for readings that mean nothing."""
    nan = np.full((1, 2), np.nan)
    return Rows(
        kind=np.array([int(Kind.NONSENSE)]),
        part=np.array([-1]),
        core=np.array([-1]),
        log_prior=np.array([np.log(model.unexplained_prior)]),
        base=nan,
        base_sd=nan,
        lift=nan,
        lift_sd=nan,
        undersize_sd=np.zeros(1),
    )


def stranger_rows(
    table: CatalogueTable, cores: Ints, lifts: Floats | None, log_share: Floats, model: MeasuringModel
) -> Rows:
    """Rows for strangers on `cores` (-1: a core nobody knows), whose log prior shares are `log_share`.

    `lifts` is a uniform grid (mm) for single-pattern strangers, or None when only one kind of lobe was read: then one
    broad row serves both patterns.
    """
    spread = np.hypot(table.lift_spread, model.stranger_lift_spread)
    mean = table.lift_mean
    known = cores >= 0
    overall = table.core_base.mean(axis=0) if table.core_base.size else np.full(2, 20.0)
    base = (
        np.where(known[:, None], table.core_base[cores], overall)
        if table.core_base.size
        else np.tile(overall, (cores.size, 1))
    )
    undersize = np.where(known, model.stranger_base_sd, 4 * model.stranger_base_sd)

    def rows(core: Ints, base_: Floats, undersize_: Floats, lift: Floats, lift_sd: Floats, log_prior: Floats) -> Rows:
        k = core.size
        return Rows(
            kind=np.full(k, int(Kind.STRANGER), np.int64),
            part=np.full(k, -1, np.int64),
            core=core.astype(np.int64),
            log_prior=log_prior,
            base=base_,
            base_sd=np.full((k, 2), model.base_making_sd),
            lift=lift,
            lift_sd=lift_sd,
            undersize_sd=undersize_,
        )

    single = model.stranger_single_pattern_share if lifts is not None else 0.0
    dual = []
    for share, factor in model.stranger_lift_kinds:
        sd = np.tile(np.hypot(factor * spread, model.lift_making_sd), (cores.size, 1))
        log_prior = log_share + np.log1p(-single) + np.log(share)
        dual.append(rows(cores, base, undersize, np.tile(mean, (cores.size, 1)), sd, log_prior))
    broad = join(*dual)
    if lifts is None or lifts.size == 0:
        return broad
    step = float(lifts[1] - lifts[0])
    at = np.repeat(lifts[None, :], cores.size, axis=0).ravel()
    again = np.repeat(np.arange(cores.size), lifts.size)
    away, width = at - mean.mean(), float(spread.mean())
    densities = [np.log(share) + log_normal(away, factor * width) for share, factor in model.stranger_lift_kinds]
    log_density = np.logaddexp(*densities) + np.log(step)
    pattern = rows(
        cores[again],
        base[again],
        undersize[again],
        np.column_stack([at, at]),
        np.full((at.size, 2), model.lift_making_sd),
        log_share[again] + np.log(single) + log_density,
    )
    return join(broad, pattern)
