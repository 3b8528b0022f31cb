"""Which rows and which slips are worth working out: a cheap look at everything before the likelihood.

Here every reading stands alone, with spreads `_LOOSE` times too wide and a misfit that grows no faster than a one-sided
error's, for the likeliest hand: what only a very rough one can have read is still within the cut. `rough_fit` looks
closer at what is left, and the likelihood works out what is left by that. `test_what_is_let_go.py` holds what is lost.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.identification.claims import claim_log_density
from service.identification.entries import Entry, GroupKey, Truth
from service.identification.entry_lists import EntryLists
from service.identification.measuring import MeasuringModel
from service.identification.rows import Kind, part_rows
from service.identification.table import CatalogueTable, Floats, Ints
from service.identification.variants import Variants, grouped

_LOOSE = 1.5
_ROW_CUT = 30.0
_SLIP_CUT = 14.0
_CORE_CUT = 12.0
_UNREAD = 0.0
_UNSTATED = -2.0
"""A reading of what a core does not state: neither for it nor much against it."""
_TAIL_BEGINS = 2.1
"""Spreads from which a misfit is taken to grow no faster than an exponential's, whose mean is at most 0.7 of them."""
_REACH = 4.0
_UNLIKE_MM = 0.1
_MOST_LIFTS = 200
_LIFT_STEP_MM = 0.02


@dataclass(frozen=True, eq=False)
class Kept:
    """What is worth working out. `lift_mm` (lowest, highest, step) is set where both kinds of
    lobe show a lift that may be one and the same."""

    hypotheses: Ints
    made: Ints
    reground: Ints
    cores: Ints
    lift_mm: tuple[float, float, float] | None


@dataclass(frozen=True)
class Look:
    """One number read off a lobe or a core in a quick look: its mean, and the variance of everything about it."""

    mean: float
    variance: float


def _expected(entries: Sequence[Entry]) -> Look:
    """The entries of one truth as one number, one-sided errors taken at their mean."""
    total = weighted = 0.0
    for e in entries:
        weight = 1 / (e.sd**2 + e.tail**2 + 2.2 * e.zero_sd**2)
        total += weight
        weighted += weight * (e.mean - e.sign * e.tail)
    return Look(weighted / total, 1 / total)


def tailed(spreads: Floats) -> Floats:
    """The log of how well a misfit of so many spreads (>= 0) goes: a normal's, an exponential's where it is large."""
    near = np.minimum(spreads, _TAIL_BEGINS)
    return np.asarray(near * (0.5 * near - spreads))


def _score(away: Floats, variance: Floats | float) -> Floats:
    bad = tailed(np.abs(away) / (_LOOSE * np.sqrt(variance)))
    bad[np.isnan(bad)] = _UNREAD
    return bad


def _columns(looks: Sequence[Look | None]) -> tuple[Floats, Floats]:
    """(means, variances) as columns (V, 1), NaN where there is no look."""
    means = np.array([[np.nan if look is None else look.mean] for look in looks])
    variances = np.array([[1.0 if look is None else look.variance] for look in looks])
    return means, variances


def _core_scores(table: CatalogueTable, groups: dict[GroupKey, Variants], n_h: int, model: MeasuringModel) -> Floats:
    """How well each core goes with each hypothesis' journals and length: (H, C)."""
    total = np.zeros((n_h, len(table.core_codes)))
    for key, variants in groups.items():
        if key[0] == "journal":
            k = int(str(key[1]))
            stated = table.journal[:, k]
            own_variance = table.journal_sd[:, k] ** 2 + 2 * model.journal_wear_mean**2
            middle = stated - model.journal_wear_mean
        elif key[0] == "length":
            stated = middle = table.length
            own_variance = np.full(stated.shape, model.length_making_sd**2)
        else:
            continue
        mean, variance = _columns([_expected(s) for s in variants.sets])
        known = np.isfinite(stated)
        score = _score(mean - middle, variance + np.where(known, own_variance, 1.0))
        total += variants.spread(np.where(known, score, _UNSTATED))
    return total


def _looks(entries: Sequence[Entry]) -> dict[Truth, Look]:
    """What one lobe shows: base circle, height, and lift where there is one."""
    found = {}
    for truth in (Truth.BASE, Truth.HEIGHT, Truth.LIFT):
        here = [e for e in entries if e.truth is truth]
        if here:
            found[truth] = _expected(here)
    if Truth.BASE in found and Truth.HEIGHT in found:
        height, base, known = found[Truth.HEIGHT], found[Truth.BASE], found.get(Truth.LIFT)
        lift = Look(height.mean - base.mean, height.variance + base.variance)
        if known is not None:
            weight = 1 / known.variance + 1 / lift.variance
            lift = Look((known.mean / known.variance + lift.mean / lift.variance) / weight, 1 / weight)
        found[Truth.LIFT] = lift
    return found


def _part_scores(
    table: CatalogueTable, parts: Ints, groups: dict[GroupKey, Variants], n_h: int, model: MeasuringModel
) -> tuple[Floats, Floats]:
    """(as made, reground) scores of `parts` against each hypothesis' lobes, each (H, P)."""
    made, reground = np.zeros((n_h, parts.size)), np.zeros((n_h, parts.size))
    for key, variants in groups.items():
        if key[0] != "lobe":
            continue
        lobe = int(str(key[1]))
        lift, base = table.lift[parts, lobe], table.base[parts, lobe]
        absent = ~np.isfinite(lift)
        if absent.any():
            lift = np.where(absent, table.lift[parts, 1 - lobe], lift)
            base = np.where(absent, table.base[parts, 1 - lobe], base)
        looks = [_looks(s) for s in variants.sets]
        wear = 2 * model.nose_wear_mean**2 + np.where(absent, 1.0, 0.0)
        mean, variance = _columns([found.get(Truth.LIFT) for found in looks])
        both = _score(mean - lift + model.nose_wear_mean, variance + model.lift_making_sd**2 + wear)
        as_made, as_reground = both, both.copy()
        for truth, nominal in ((Truth.BASE, base), (Truth.HEIGHT, base + lift)):
            # where there is a lift, the height says nothing more than the base circle does
            mean, variance = _columns(
                [None if truth is Truth.HEIGHT and Truth.LIFT in found else found.get(truth) for found in looks]
            )
            if not np.isfinite(mean).any():
                continue
            away = mean - nominal
            variance = variance + model.base_making_sd**2 + wear
            as_made = as_made + _score(away, variance)
            as_reground += _score(np.maximum(away, 0.0), variance)
        made += variants.spread(as_made)
        reground += variants.spread(as_reground)
    return made, reground


def screen(
    table: CatalogueTable,
    hypotheses: EntryLists,
    log_priors: Floats,
    model: MeasuringModel,
    used: bool,
    patience: float = 0.0,
) -> Kept:
    """The rows and hypotheses worth working out; `log_priors` (H,) are the hypotheses' own.

    They may be `patience` nats further behind the best than usually.
    """
    cores = table.cores_with_parts
    groups = grouped(hypotheses)
    n_h = len(hypotheses)
    core_scores = _core_scores(table, groups, n_h, model)[:, cores] + log_priors[:, None]
    best_core = core_scores.max(axis=0) if cores.size else np.zeros(0)
    alive = cores[best_core >= best_core.max(initial=-np.inf) - _ROW_CUT - patience]
    parts = np.concatenate(
        [table.parts_by_core[table.core_start[c] : table.core_start[c + 1]] for c in alive] or [np.zeros(0, np.int64)]
    )
    spot = np.full(len(table.core_codes), -1)
    spot[cores] = np.arange(cores.size)
    column = spot[table.core_of[parts]]
    made, reground = _part_scores(table, parts, groups, n_h, model)
    common = core_scores[:, column] + table.log_prior[parts] + _claims(table, parts, groups, n_h, model)
    made += common + np.log1p(-model.regrind_prior)
    reground += common + (np.log(model.regrind_prior) if used else -np.inf)
    best = max(made.max(initial=-np.inf), reground.max(initial=-np.inf))
    of_slip = np.maximum(made.max(axis=1, initial=-np.inf), reground.max(axis=1, initial=-np.inf))
    # a slip may also turn a shaft nobody sells into a plain stranger, so the best of a plain core counts too
    kept = np.flatnonzero(of_slip >= best - _SLIP_CUT - patience)
    if 0 not in kept:
        kept = np.concatenate([[0], kept])
    of_core = core_scores[kept].max(axis=0) if cores.size else np.zeros(0)
    return Kept(
        hypotheses=kept.astype(np.int64),
        made=parts[made[kept].max(axis=0, initial=-np.inf) >= best - _ROW_CUT - patience],
        reground=parts[reground[kept].max(axis=0, initial=-np.inf) >= best - _ROW_CUT - patience],
        cores=cores[of_core >= of_core.max(initial=-np.inf) - _CORE_CUT - patience],
        lift_mm=_both_lifts(hypotheses.list(0), model),
    )


def _claims(
    table: CatalogueTable, parts: Ints, groups: dict[GroupKey, Variants], n_h: int, model: MeasuringModel
) -> Floats:
    """Timing, counts and family, by the likelihood's own functions: they are cheap. (H, P)."""
    total = np.zeros((n_h, parts.size))
    rows = part_rows(table, parts, Kind.MADE, np.zeros(parts.size))
    for key, variants in groups.items():
        if key[0] in ("separation", "duration", "teeth", "family", "table") and parts.size:
            value = claim_log_density(table, rows, key, variants.sets, model)
            total += variants.spread((value - value.max()) / _LOOSE**2)
    return total


def _both_lifts(entries: Sequence[Entry], model: MeasuringModel) -> tuple[float, float, float] | None:
    """(lowest, highest, step) of a grid over the lift of a shaft whose two kinds of lobe are alike.

    None where not both kinds show a lift, or where the lifts are too far apart to be one.
    """
    looks = [_looks([e for e in entries if e.group[:2] == ("lobe", lobe)]) for lobe in (0, 1)]
    if any(Truth.LIFT not in found for found in looks):
        return None
    lifts = [found[Truth.LIFT].mean for found in looks]
    sds = [math.sqrt(found[Truth.LIFT].variance) for found in looks]
    if max(lifts) - min(lifts) > 6 * math.hypot(*sds) + _UNLIKE_MM:
        return None
    step = max(_LIFT_STEP_MM, 0.25 * min(sds))
    reach = _REACH * max(sds)
    if max(lifts) - min(lifts) + 2 * reach > _MOST_LIFTS * step:
        # one lift is far coarser than the other, which alone says where both can be
        lifts, reach = [lifts[int(np.argmin(sds))]], _REACH * min(sds)
    return min(lifts) - reach, max(lifts) + reach + _REACH * model.nose_wear_mean, step
