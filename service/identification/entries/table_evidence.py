"""What a bench's lift tables say of each part: one log-likelihood a part, one for a stranger; added to the posterior's.

A lobe's table is one reading of its curve (`service.lobe.matching`); tables of several lobes are taken as independent.
Where both lobes of a cylinder share an index their separation is one more reading.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr

from service.domain.arrays import Floats
from service.identification.catalogue_table.lift_curves import CatalogueCurves
from service.identification.catalogue_table.table import LOBES, CatalogueTable
from service.identification.entries.entries import Entry, Truth
from service.identification.measuring.model import MeasuringModel
from service.lobe.analysis import LobeReport, SheetReport
from service.lobe.figures import Figure, lobe_figures
from service.lobe.matching import Comparison, Observed, Spreads, as_made, wide
from service.lobe.timing import CRANK_DEG_PER_CAM_DEG

_IMPOSSIBLE = -1e4
"""For a lobe that a part has not: finite, so that nothing becomes NaN."""
_MOST_STRANGERS = 400
_LEAST_SHOWN = 0.001
STRANGER_SEPARATION = (108.0, 4.0)
"""Cam degrees: mean and spread of lobe separations in general (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class TableEvidence:
    """Natural logs: `part` (N,) of the tables given each part, `stranger` given a shaft that is nobody's here."""

    part: Floats
    stranger: float


def table_evidence(
    report: SheetReport,
    curves: CatalogueCurves,
    table: CatalogueTable,
    model: MeasuringModel,
    *,
    used: bool,
    direction_known: bool = False,
) -> TableEvidence | None:
    """The evidence of a sheet; None where no lobe of it can be compared (a roller's, without its base circle)."""
    comparable = [(lobe, seen) for lobe in report.lobes if (seen := observed_of(lobe)) is not None]
    if not comparable:
        return None
    part, stranger = np.zeros(table.log_prior.size), 0.0
    for lobe, seen in comparable:
        of_parts, of_stranger = _lobe_evidence(
            seen, LOBES.index(lobe.lobe.kind), curves, table, model, used=used, both_ways=not direction_known
        )
        part, stranger = part + of_parts, stranger + of_stranger
    if report.shaft is not None:
        for apart in report.shaft.separations.values():
            part = part + _separation(apart, table.separation, model)
            stranger += float(_separation(apart, np.array([np.nan]), model)[0])
    return TableEvidence(part, stranger)


def together(several: Sequence[TableEvidence]) -> TableEvidence | None:
    """The evidence of several sheets of different lobes; None of none."""
    if not several:
        return None
    part = np.asarray(np.sum([each.part for each in several], axis=0))
    return TableEvidence(part, sum(each.stranger for each in several))


TABLES_POINTER = "/lift_tables"
"""What an answer calls the kept lift tables among its evidence."""


def table_entry(evidence: TableEvidence) -> Entry:
    """The tables as one entry beside a submission's readings.

    A likelihood's scale is free: the stranger's is taken off, so that the figures stay small.
    """
    relative = evidence.part - evidence.stranger
    return Entry(TABLES_POINTER, Truth.TABLE, ("table",), 0.0, 0.0, per_part=relative)


def spreads_of(model: MeasuringModel) -> Spreads:
    """How far lobes stray from their nominals, as far as the measuring model says it."""
    return Spreads(
        lift_mm=model.lift_making_sd,
        wear_mean_mm=model.nose_wear_mean,
        stranger_lift_mm=model.stranger_lift_spread,
    )


def observed_of(lobe: LobeReport) -> Observed | None:
    """A lobe ready to compare, under a flat face; None where its flat form is not known."""
    if lobe.flat is None:
        return None
    curve = lobe.flat.curve
    figures = lobe.figures if curve is lobe.table.curve else lobe_figures(curve)
    return Observed.of(curve, figures.centre.value, figures.lift)


def _lobe_evidence(
    seen: Observed,
    kind: int,
    curves: CatalogueCurves,
    table: CatalogueTable,
    model: MeasuringModel,
    *,
    used: bool,
    both_ways: bool,
) -> tuple[Floats, float]:
    """(log-likelihood of each part (N,), of a stranger) of one lobe's table.

    A part without a table is judged on lift and durations, beside the stranger's chance of the same figures; of the
    rest of the shape it says no more than a stranger does.
    """
    spreads = spreads_of(model)
    lift, tabled = curves.lift[kind], curves.tabled[kind]
    has = np.isfinite(lift[:, 0])
    found = np.full(has.size, _IMPOSSIBLE)
    if not has.any():
        return found, 0.0
    some = np.flatnonzero(has)
    some = some[:: max(1, some.size // _MOST_STRANGERS)]
    of_strangers = _both(wide(seen, spreads), lift[some], both_ways=both_ways)
    stranger = float(np.logaddexp.reduce(of_strangers) - math.log(some.size))
    plain = has & ~tabled
    if plain.any():
        found[plain] = stranger + figures_against_stranger(seen, kind, table, model, used=used)[plain]
    if (has & tabled).any():
        comparison = as_made(seen, spreads, used=used)
        found[has & tabled] = _both(comparison, lift[has & tabled], both_ways=both_ways)
    return np.maximum(found, _IMPOSSIBLE), stranger


def _both(comparison: Comparison, nominal: Floats, *, both_ways: bool) -> Floats:
    """Log-likelihoods; the mean of both directions of turning where nobody said which it was."""
    forwards = comparison.log_likelihood(nominal)
    if not both_ways:
        return forwards
    return np.asarray(np.logaddexp(forwards, comparison.log_likelihood(nominal[:, ::-1])) - math.log(2))


def _separation(apart: Figure, stated: Floats, model: MeasuringModel) -> Floats:
    unknown = _log_normal(apart.value - STRANGER_SEPARATION[0], math.hypot(apart.sd, STRANGER_SEPARATION[1]))
    known = _log_normal(apart.value - stated, math.hypot(apart.sd, model.separation_making_sd))
    return np.asarray(np.where(np.isnan(stated), unknown, known))


def _log_normal(off: Floats | float, sd: Floats | float) -> Floats:
    return np.asarray(-0.5 * (np.asarray(off) / sd) ** 2 - np.log(sd) - 0.5 * math.log(2 * math.pi))


STRANGER_DURATION_SD = 14.0
"""Crank degrees, about the mean of what the catalogue states at that lift (common practice, no source)."""
STRANGER_STEP_SD = 5.0
"""Crank degrees: how much a stranger's durations at two lifts differ from one another beyond the usual."""
PART_STEP_SD = 1.0


def figures_against_stranger(
    seen: Observed, kind: int, table: CatalogueTable, model: MeasuringModel, *, used: bool
) -> Floats:
    """Log of how much likelier the measured lift and durations are for each part than for a stranger, (N,).

    Lift: nominal less exponential wear, with making and the table's own uncertainty, against a stranger's lift
    spread about those sold. Durations: the part's lowest stated one, then each further one's difference from it, since
    the flanks of a lobe are off together.
    """
    lift, lift_sd = table.lift[:, kind], np.hypot(table.lift_sd[:, kind], seen.height.sd)
    wear = model.nose_wear_mean if used else 0.0
    against = table.lift[np.isfinite(lift), kind]
    kernel = _log_normal(seen.height.value - against, math.hypot(seen.height.sd, model.stranger_lift_spread))
    stranger = float(np.logaddexp.reduce(kernel) - math.log(max(against.size, 1)))
    gain = _log_worn(lift - seen.height.value, lift_sd, wear) - stranger
    at, stated = table.duration_at[:, kind], table.duration[:, kind]
    measured = _measured_durations(seen, at)
    known = np.isfinite(stated) & np.isfinite(measured)
    off = np.where(known, measured - stated, 0.0)
    usual = {float(level): float(np.nanmean(stated[at == level])) for level in np.unique(at[known])}
    strange = np.where(known, measured - np.vectorize(lambda x: usual.get(x, 0.0), otypes=[float])(at), 0.0)
    first = np.argmax(known, axis=1)
    rows = np.arange(lift.size)
    any_known = known.any(axis=1)
    one = _log_normal(off[rows, first], model.duration_making_sd) - _log_normal(
        strange[rows, first], STRANGER_DURATION_SD
    )
    gain = gain + np.where(any_known, one, 0.0)
    further = known & (np.arange(known.shape[1]) > first[:, None])
    steps = _log_normal(off - off[rows, first][:, None], PART_STEP_SD) - _log_normal(
        strange - strange[rows, first][:, None], STRANGER_STEP_SD
    )
    return np.asarray(np.nan_to_num(gain + np.where(further, steps, 0.0).sum(axis=1), nan=_IMPOSSIBLE))


def _log_worn(missing: Floats, sd: Floats, wear_mean: float) -> Floats:
    """Log density of `missing` = wear + normal error, wear exponential (an exponentially modified Gaussian)."""
    if wear_mean <= 0:
        return _log_normal(missing, sd)
    rate = 1.0 / wear_mean
    return np.asarray(math.log(rate) + rate * (0.5 * rate * sd**2 - missing) + log_ndtr((missing - rate * sd**2) / sd))


def _measured_durations(seen: Observed, at: Floats) -> Floats:
    """The measured lobe's crank degrees at each of the parts' checking lifts; NaN where it never gets there."""
    levels = np.unique(at[np.isfinite(at)])
    if not levels.size:
        return np.full(at.shape, np.nan)
    opens, closes = seen.curve.crossings(levels)
    place = np.clip(np.searchsorted(levels, np.nan_to_num(at, nan=levels[0])), 0, levels.size - 1)
    return np.asarray(np.where(np.isfinite(at), ((closes - opens) * CRANK_DEG_PER_CAM_DEG)[place], np.nan))


@dataclass(frozen=True)
class TableCandidate:
    """One grind on one core, and how likely the tables alone make it; `part` its index in the catalogue's table."""

    part: int
    part_number: str
    same_as: tuple[str, ...]
    core: str
    probability: float


def table_candidates(
    evidence: TableEvidence, table: CatalogueTable, model: MeasuringModel, most: int = 10
) -> tuple[tuple[TableCandidate, ...], float]:
    """(the likeliest grinds by their tables alone, best first; the probability that it is none of the catalogue's).

    Cores that carry one grind stay apart and share its probability: a lobe does not say which blank it was cut from.
    """
    share = math.log1p(-model.stranger_prior)
    logs = np.append(evidence.part + table.log_prior + share, evidence.stranger + math.log(model.stranger_prior))
    weight = np.exp(logs - logs.max())
    weight /= weight.sum()
    by_class = np.bincount(table.class_of, weights=weight[:-1], minlength=len(table.class_numbers))
    order = np.argsort(-by_class, kind="stable")[:most]
    part_of = {number: i for i, number in enumerate(table.part_numbers)}
    found: list[TableCandidate] = []
    for number in order:
        if by_class[number] < _LEAST_SHOWN and found:
            break
        names = table.class_numbers[number]
        part = part_of[names[0]]
        core = table.core_codes[int(table.core_of[part])]
        found.append(TableCandidate(part, names[0], names[1:], core, float(by_class[number])))
    return tuple(found), float(weight[-1])
