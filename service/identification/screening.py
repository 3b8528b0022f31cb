"""Which rows and which slips are worth working out: a cheap look at everything before the likelihood.

Scores are quadratic with the spreads taken `_LOOSE` times too wide, so that what is let go is far worse than it looks:
a row `_ROW_CUT` nats below the best here is some 30 nats below it in the likelihood.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.identification.claims import claim_log_density
from service.identification.entries import Entry, Truth
from service.identification.measuring import MeasuringModel
from service.identification.rows import Kind, part_rows
from service.identification.table import CatalogueTable, Floats, Ints

_LOOSE = 1.5
_ROW_CUT = 12.0
_SLIP_CUT = 9.0
_CORE_CUT = 9.0
_UNREAD = 0.0
_WORST = -1e6


@dataclass(frozen=True, eq=False)
class Kept:
    """What is worth working out. `lift_mm` (lowest, highest) is set where both kinds of lobe show a lift."""

    hypotheses: Ints
    made: Ints
    reground: Ints
    cores: Ints
    lift_mm: tuple[float, float] | None


@dataclass(frozen=True)
class Look:
    """One number read off a lobe or a core in a quick look: its mean, and the variance of everything about it."""

    mean: float
    variance: float


def _expected(entries: Sequence[Entry]) -> Look:
    """The entries of one truth as one number, one-sided errors taken at their mean."""
    variance = np.array([e.sd**2 + e.tail**2 + 2.2 * e.zero_sd**2 for e in entries])
    means = np.array([e.mean - e.sign * e.tail for e in entries])
    weight = 1 / variance
    return Look(float((weight * means).sum() / weight.sum()), float(1 / weight.sum()))


def _score(away: Floats, variance: Floats | float) -> Floats:
    bad = -0.5 * away**2 / (np.asarray(variance) * _LOOSE**2)
    return np.where(np.isfinite(bad), np.maximum(bad, _WORST), _UNREAD)


def _core_scores(table: CatalogueTable, entries: Sequence[Entry], model: MeasuringModel) -> Floats:
    """How well each core goes with the journals, the length and the counts of one hypothesis: (C,)."""
    total = np.zeros(len(table.core_codes))
    for k in range(3):
        here = [e for e in entries if e.group == ("journal", k)]
        if here:
            look = _expected(here)
            away = look.mean - table.journal[:, k] + model.journal_wear_mean
            variance = look.variance + table.journal_sd[:, k] ** 2 + 2 * model.journal_wear_mean**2
            total += np.where(np.isfinite(table.journal[:, k]), _score(away, variance), _score(away * 0 + 2, 1.0))
    lengths = [e for e in entries if e.truth is Truth.LENGTH]
    if lengths:
        look = _expected(lengths)
        total += _score(look.mean - table.length, look.variance + model.length_making_sd**2)
    return total


def _lobe_looks(entries: Sequence[Entry]) -> dict[int, dict[Truth, Look]]:
    """What each kind of lobe shows over its cylinders: base circle, height, and lift where there is one."""
    found: dict[int, dict[Truth, Look]] = {}
    for lobe in (0, 1):
        of_lobe = [e for e in entries if e.group[:2] == ("lobe", lobe)]
        looks: dict[Truth, Look] = {}
        for truth in (Truth.BASE, Truth.HEIGHT, Truth.LIFT):
            here = [e for e in of_lobe if e.truth is truth]
            if here:
                looks[truth] = _expected(here)
        if Truth.BASE in looks and Truth.HEIGHT in looks:
            lift = Look(
                looks[Truth.HEIGHT].mean - looks[Truth.BASE].mean,
                looks[Truth.HEIGHT].variance + looks[Truth.BASE].variance,
            )
            known = looks.get(Truth.LIFT)
            if known is not None:
                weight = 1 / known.variance + 1 / lift.variance
                lift = Look((known.mean / known.variance + lift.mean / lift.variance) / weight, 1 / weight)
            looks[Truth.LIFT] = lift
        if looks:
            found[lobe] = looks
    return found


def _part_scores(
    table: CatalogueTable, parts: Ints, looks: dict[int, dict[Truth, Look]], model: MeasuringModel
) -> tuple[Floats, Floats]:
    """(as made, reground) scores of `parts` against one hypothesis' lobes, each (P,)."""
    made, reground = np.zeros(parts.size), np.zeros(parts.size)
    for lobe, found in looks.items():
        lift, base = table.lift[parts, lobe], table.base[parts, lobe]
        absent = ~np.isfinite(lift)
        if absent.any():
            lift = np.where(absent, table.lift[parts, 1 - lobe], lift)
            base = np.where(absent, table.base[parts, 1 - lobe], base)
        extra = np.where(absent, 1.0, 0.0)
        wear = 2 * model.nose_wear_mean**2
        base_sd = model.base_making_sd
        if Truth.LIFT in found:
            look = found[Truth.LIFT]
            variance = look.variance + model.lift_making_sd**2 + wear + extra
            both = _score(look.mean - lift + model.nose_wear_mean, variance)
            made, reground = made + both, reground + both
        for truth, nominal in ((Truth.BASE, base), (Truth.HEIGHT, base + lift)):
            if truth in found and not (truth is Truth.HEIGHT and Truth.LIFT in found):
                away = found[truth].mean - nominal
                variance = found[truth].variance + base_sd**2 + wear + extra
                made = made + _score(away, variance)
                reground = reground + _score(np.maximum(away, 0.0), variance)
    return made, reground


def screen(
    table: CatalogueTable,
    hypotheses: Sequence[Sequence[Entry]],
    log_priors: Floats,
    model: MeasuringModel,
    used: bool,
) -> Kept:
    """The rows and hypotheses worth working out; `log_priors` (H,) are the hypotheses' own."""
    cores = table.cores_with_parts
    core_scores = np.stack([_core_scores(table, h, model) for h in hypotheses])[:, cores] + log_priors[:, None]
    best_core = core_scores.max(axis=0) if cores.size else np.zeros(0)
    alive = cores[best_core >= best_core.max(initial=-np.inf) - _ROW_CUT]
    parts = np.concatenate(
        [table.parts_by_core[table.core_start[c] : table.core_start[c + 1]] for c in alive] or [np.zeros(0, np.int64)]
    )
    spot = np.full(len(table.core_codes), -1)
    spot[cores] = np.arange(cores.size)
    column = spot[table.core_of[parts]]
    made = np.empty((len(hypotheses), parts.size))
    reground = np.empty_like(made)
    for i, entries in enumerate(hypotheses):
        made[i], reground[i] = _part_scores(table, parts, _lobe_looks(entries), model)
    claims = _claims(table, parts, hypotheses, model)
    common = core_scores[:, column] + table.log_prior[parts] + claims
    made += common + np.log1p(-model.regrind_prior)
    reground += common + (np.log(model.regrind_prior) if used else -np.inf)
    best = max(made.max(initial=-np.inf), reground.max(initial=-np.inf))
    of_slip = np.maximum(made.max(axis=1, initial=-np.inf), reground.max(axis=1, initial=-np.inf))
    # a slip may also turn a shaft nobody sells into a plain stranger, so the best of a plain core counts too
    kept = np.flatnonzero(of_slip >= best - _SLIP_CUT)
    if 0 not in kept:
        kept = np.concatenate([[0], kept])
    of_core = core_scores[kept].max(axis=0) if cores.size else np.zeros(0)
    return Kept(
        hypotheses=kept.astype(np.int64),
        made=parts[made[kept].max(axis=0, initial=-np.inf) >= best - _ROW_CUT],
        reground=parts[reground[kept].max(axis=0, initial=-np.inf) >= best - _ROW_CUT],
        cores=cores[of_core >= of_core.max(initial=-np.inf) - _CORE_CUT],
        lift_mm=_both_lifts(hypotheses[0]),
    )


def _claims(
    table: CatalogueTable, parts: Ints, hypotheses: Sequence[Sequence[Entry]], model: MeasuringModel
) -> Floats:
    """Timing, counts and family: exact already, they are cheap. (H, P)."""
    total = np.zeros((len(hypotheses), parts.size))
    if parts.size == 0:
        return total
    rows = part_rows(table, parts, Kind.MADE, np.zeros(parts.size))
    known: dict[tuple[int, ...], Floats] = {}
    for i, entries in enumerate(hypotheses):
        groups: dict[tuple[object, ...], list[Entry]] = {}
        for e in entries:
            if e.truth in (Truth.SEPARATION, Truth.DURATION, Truth.TEETH, Truth.FAMILY):
                groups.setdefault(e.group, []).append(e)
        for key, group in groups.items():
            identity = tuple(id(e) for e in group)
            if identity not in known:
                value = claim_log_density(table, rows, key, [group], model)[0]
                known[identity] = (value - value.max()) / _LOOSE**2
            total[i] += known[identity]
    return total


def _both_lifts(entries: Sequence[Entry]) -> tuple[float, float] | None:
    """(lowest, highest) of the lifts the two kinds of lobe show, where both do and they are near each other."""
    looks = _lobe_looks(entries)
    if len(looks) < 2 or any(Truth.LIFT not in found for found in looks.values()):
        return None
    lifts = [found[Truth.LIFT].mean for found in looks.values()]
    sd = float(np.sqrt(sum(found[Truth.LIFT].variance for found in looks.values())))
    if max(lifts) - min(lifts) > 6 * sd + 0.1:
        return None
    return min(lifts), max(lifts)
