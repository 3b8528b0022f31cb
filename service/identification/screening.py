"""Which rows and which slips are worth working out: a cheap look at everything before the likelihood.

Here every reading stands alone, with spreads `_LOOSE` times too wide and a misfit that grows no faster than a one-sided
error's, for the likeliest hand and for the roughest. `rough_fit` looks closer at what is left, and the likelihood works
out what is left by that. `test_what_is_let_go.py` holds what is lost.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.identification.claims import claim_log_density
from service.identification.entries import Entry, GroupKey, Truth
from service.identification.entry_lists import EntryLists
from service.identification.measuring import MeasuringModel
from service.identification.rows import Kind, part_rows
from service.identification.table import CatalogueTable, Floats, Ints
from service.identification.variants import Variants, grouped

_LOOSE = 1.5
_ROW_CUT = 30.0
_ROUGH_ROW_CUT = 16.0
"""For a rough hand, whose spreads are not far too narrow as the likeliest hand's may be."""
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


def _score(away: Floats, variance: Floats | float, usual: Floats | float | None) -> Floats:
    """How well misfits go with their variances; beside a hand whose variances are `usual`, a rougher one's density."""
    bad = tailed(np.abs(away) / (_LOOSE * np.sqrt(variance)))
    if usual is not None:
        bad -= 0.5 * np.log(variance / usual)
    bad[np.isnan(bad)] = _UNREAD
    return bad


def _columns(looks: Sequence[Look | None]) -> tuple[Floats, Floats]:
    """(means, variances) as columns (V, 1), NaN where there is no look."""
    means = np.array([[np.nan if look is None else look.mean] for look in looks])
    variances = np.array([[1.0 if look is None else look.variance] for look in looks])
    return means, variances


_LOOKED_AT = ("journal", "length", "lobe")


@dataclass(frozen=True, eq=False)
class _Read:
    """What a hand is held to have read: the variants of each group and what they show, beside the likeliest hand's."""

    groups: dict[GroupKey, Variants]
    looks: dict[GroupKey, list[dict[Truth, Look]]]
    likeliest: _Read | None

    @classmethod
    def by(cls, hypotheses: EntryLists, likeliest: _Read | None) -> _Read:
        """What a hand is held to have read, which may itself be the likeliest one (None)."""
        groups = grouped(hypotheses)
        looks = {key: [_looks(s) for s in v.sets] for key, v in groups.items() if key[0] in _LOOKED_AT}
        return cls(groups, looks, likeliest)

    def columns(self, key: GroupKey, truth: Truth) -> tuple[Floats, Floats, Floats | None]:
        """(means, variances, the likeliest hand's variances) of what a group's variants show, as columns (V, 1)."""
        mean, variance = _columns([found.get(truth) for found in self.looks[key]])
        if self.likeliest is None:
            return mean, variance, None
        return mean, variance, _columns([found.get(truth) for found in self.likeliest.looks[key]])[1]


def _with(variance: Floats | None, own: Floats | float) -> Floats | None:
    return None if variance is None else variance + own


def _core_scores(table: CatalogueTable, read: _Read, n_h: int, model: MeasuringModel) -> Floats:
    """How well each core goes with each hypothesis' journals and length: (H, C)."""
    total = np.zeros((n_h, len(table.core_codes)))
    for key, variants in read.groups.items():
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
        mean, variance, usual = read.columns(key, Truth.JOURNAL if key[0] == "journal" else Truth.LENGTH)
        known = np.isfinite(stated)
        own = np.where(known, own_variance, 1.0)
        score = _score(mean - middle, variance + own, _with(usual, own))
        total += variants.spread(np.where(known, score, _UNSTATED))
    return total


def _looks(entries: Sequence[Entry]) -> dict[Truth, Look]:
    """What one group shows; of a lobe the base circle and the lift, or the height where there is no lift."""
    of_truth: dict[Truth, list[Entry]] = {}
    for e in entries:
        of_truth.setdefault(e.truth, []).append(e)
    found = {truth: _expected(several) for truth, several in of_truth.items()}
    if Truth.BASE in found and Truth.HEIGHT in found:
        height, base, known = found[Truth.HEIGHT], found[Truth.BASE], found.get(Truth.LIFT)
        lift = Look(height.mean - base.mean, height.variance + base.variance)
        if known is not None:
            weight = 1 / known.variance + 1 / lift.variance
            lift = Look((known.mean / known.variance + lift.mean / lift.variance) / weight, 1 / weight)
        found[Truth.LIFT] = lift
    if Truth.LIFT in found:
        # beside it the height says nothing more than the base circle does
        found.pop(Truth.HEIGHT, None)
    return found


def _part_scores(
    table: CatalogueTable, parts: Ints, read: _Read, n_h: int, model: MeasuringModel
) -> tuple[Floats, Floats]:
    """(as made, reground) scores of `parts` against each hypothesis' lobes, each (H, P)."""
    made, reground = np.zeros((n_h, parts.size)), np.zeros((n_h, parts.size))
    for key, variants in read.groups.items():
        if key[0] != "lobe":
            continue
        lobe = int(str(key[1]))
        lift, base = table.lift[parts, lobe], table.base[parts, lobe]
        absent = ~np.isfinite(lift)
        if absent.any():
            lift = np.where(absent, table.lift[parts, 1 - lobe], lift)
            base = np.where(absent, table.base[parts, 1 - lobe], base)
        wear = 2 * model.nose_wear_mean**2 + np.where(absent, 1.0, 0.0)
        mean, variance, usual = read.columns(key, Truth.LIFT)
        own = model.lift_making_sd**2 + wear
        both = _score(mean - lift + model.nose_wear_mean, variance + own, _with(usual, own))
        as_made, as_reground = both, both.copy()
        own = model.base_making_sd**2 + wear
        for truth, nominal in ((Truth.BASE, base), (Truth.HEIGHT, base + lift)):
            mean, variance, usual = read.columns(key, truth)
            if not np.isfinite(mean).any():
                continue
            away = mean - nominal
            as_made = as_made + _score(away, variance + own, _with(usual, own))
            as_reground += _score(np.maximum(away, 0.0), variance + own, _with(usual, own))
        made += variants.spread(as_made)
        reground += variants.spread(as_reground)
    return made, reground


@dataclass(frozen=True, eq=False)
class ByHand:
    """Every hypothesis' entries as a hand of one kind reads them, and the log priors of both together (H,)."""

    hypotheses: EntryLists
    log_prior: Floats


@dataclass(frozen=True, eq=False)
class _Scores:
    """What the cores (H, C) and the parts as made and reground, each (H, P), are worth under one hand."""

    of_cores: Floats
    made: Floats
    reground: Floats
    row_cut: float

    @property
    def best(self) -> float:
        """The best of the parts."""
        return float(max(self.made.max(initial=-np.inf), self.reground.max(initial=-np.inf)))

    def of_slips(self) -> Floats:
        """The best part under each hypothesis: (H,)."""
        made, reground = (scores.max(axis=1, initial=-np.inf) for scores in (self.made, self.reground))
        return np.asarray(np.maximum(made, reground))


def screen(
    table: CatalogueTable, hands: Sequence[ByHand], model: MeasuringModel, used: bool, patience: float = 0.0
) -> Kept:
    """The rows and hypotheses worth working out for any of `hands`, the likeliest first.

    They may be `patience` nats further behind the best than usually.
    """
    cores = table.cores_with_parts
    likeliest, *rougher = (_with_ratio_error(hand.hypotheses, model) for hand in hands)
    reads = [_Read.by(likeliest, None)]
    reads += [_Read.by(own, reads[0]) for own in rougher]
    cuts = [_ROW_CUT, *(_ROUGH_ROW_CUT for _ in hands[1:])]
    n_h = len(hands[0].hypotheses)
    of_cores = [
        _core_scores(table, read, n_h, model)[:, cores] + (hand.log_prior + hand.hypotheses.own_log_density)[:, None]
        for read, hand in zip(reads, hands, strict=True)
    ]
    alive = cores[_near([own.max(axis=0) for own in of_cores], cuts, patience) if cores.size else []]
    parts = np.concatenate(
        [table.parts_by_core[table.core_start[c] : table.core_start[c + 1]] for c in alive] or [np.zeros(0, np.int64)]
    )
    spot = np.full(len(table.core_codes), -1)
    spot[cores] = np.arange(cores.size)
    column = spot[table.core_of[parts]]
    several = []
    for read, own, cut in zip(reads, of_cores, cuts, strict=True):
        made, reground = _part_scores(table, parts, read, n_h, model)
        common = own[:, column] + table.log_prior[parts] + _claims(table, parts, read.groups, n_h, model)
        made += common + np.log1p(-model.regrind_prior)
        reground += common + (np.log(model.regrind_prior) if used else -np.inf)
        several.append(_Scores(own, made, reground, cut))
    best = max(scores.best for scores in several)
    # a slip may also turn a shaft nobody sells into a plain stranger, so the best of a plain core counts too
    kept = np.flatnonzero(np.max([scores.of_slips() for scores in several], axis=0) >= best - _SLIP_CUT - patience)
    if 0 not in kept:
        kept = np.concatenate([[0], kept])
    near_made, near_reground = np.zeros(parts.size, bool), np.zeros(parts.size, bool)
    for scores in several:
        least = best - scores.row_cut - patience
        near_made |= scores.made[kept].max(axis=0, initial=-np.inf) >= least
        near_reground |= scores.reground[kept].max(axis=0, initial=-np.inf) >= least
    followed = [scores.of_cores[kept].max(axis=0, initial=-np.inf) for scores in several]
    return Kept(
        hypotheses=kept.astype(np.int64),
        made=parts[near_made],
        reground=parts[near_reground],
        cores=cores[_near(followed, [_CORE_CUT] * len(hands), patience) if cores.size else []],
        lift_mm=_both_lifts(likeliest.entries(0), model),
    )


def _with_ratio_error(hypotheses: EntryLists, model: MeasuringModel) -> EntryLists:
    """The hypotheses for a quick look: each valve lift with the rocker ratio's error as its own scatter."""
    return hypotheses.each(lambda e: e.standing_alone(model.valve_ratio_sd) if e.shares_ratio else e)


def _near(scores: Sequence[Floats], cuts: Sequence[float], patience: float) -> NDArray[np.bool_]:
    """Which come near enough to the best under any hand; `scores` are one array a hand."""
    best = max(float(own.max()) for own in scores)
    near = [own >= best - cut - patience for own, cut in zip(scores, cuts, strict=True)]
    return np.asarray(np.any(near, axis=0))


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
