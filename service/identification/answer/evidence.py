"""Why: each reading's weight for a candidate against its runner-up, in bits, and the figures beside it.

The weights are Shapley values over the readings: a reading's weight is what it adds to the log-odds, averaged over
every order in which the readings could have come in (L. S. Shapley, "A value for n-person games", 1953). Exact up to
`EXACT_UP_TO` readings; beyond that, what each adds in the order they were sent. The log-odds of a part of the readings
come from the same likelihood function as the answer, so the rows, with the prior's own, sum to the candidate's
log-odds against the runner-up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations, pairwise

import numpy as np

from service.domain.arrays import Floats, Ints
from service.domain.identification import Evidence
from service.domain.readings import Degrees, Feature, Submission
from service.identification.answer.expectation import expectation
from service.identification.entries.entries import Entry, Truth
from service.identification.entries.entry_lists import EntryLists
from service.identification.entries.valve_events import EVENTS_POINTER
from service.identification.likelihood.likelihood import log_likelihood
from service.identification.measuring.model import spread_of_mean
from service.identification.numerics.densities import log_sum_exp
from service.identification.posterior import Posterior

EXACT_UP_TO = 8
_NEGLIGIBLE = 1e-3
"""What holds less of both sides' weight is left out of both, but where all readings are weighed: there the answer's own
log-odds stand. Without these it would be 0.01 bits in most of 101 sums, and 0.14 in one."""


def _side(posterior: Posterior, class_index: int) -> Ints:
    """The rows of one side of the comparison; class -1 is "not in the catalogue". Negligible rows are left out."""
    rows = np.flatnonzero(posterior.row_class == class_index)
    weight = log_sum_exp(posterior.log_weight[:, :, rows], axis=(0, 1))
    return np.asarray(rows[weight >= weight.max() + math.log(_NEGLIGIBLE)])


def _weights(posterior: Posterior, class_index: int) -> Floats:
    """Everything that adds up to what the answer gives a class: (A, H, its rows)."""
    return np.asarray(posterior.log_weight[:, :, posterior.row_class == class_index])


def _subsets(pointers: Sequence[str]) -> list[frozenset[str]]:
    """The sets of readings whose log-odds are needed, the whole last: every one, or the growing ones of an order."""
    n = len(pointers)
    if n > EXACT_UP_TO:
        return [frozenset(pointers[:k]) for k in range(n + 1)]
    return [frozenset(c) for k in range(n + 1) for c in combinations(pointers, k)]


def _active(posterior: Posterior, hand: int, sides: Sequence[Ints]) -> Ints:
    """The slip hypotheses that, under this hand, hold more than a negligible part of any side's weight."""
    found: set[int] = set()
    for rows in sides:
        of_slip = log_sum_exp(posterior.log_weight[hand][:, rows], axis=1)
        whole = float(log_sum_exp(posterior.log_weight[:, :, rows].reshape(1, -1), axis=1)[0])
        found.update(int(h) for h in np.flatnonzero(of_slip > whole + math.log(_NEGLIGIBLE)))
    return np.array(sorted(found), np.int64)


def _log_masses(posterior: Posterior, classes: Sequence[int], subsets: list[frozenset[str]]) -> dict[int, Floats]:
    """Log of prior times likelihood of each class, from each subset of the readings alone: a class -> (S,)."""
    sides = [_side(posterior, c) for c in classes]
    every = np.concatenate(sides)
    ends = np.cumsum([0, *(side.size for side in sides)])
    rows = posterior.rows.take(every)
    active = [(a, h) for a in range(len(posterior.hands)) for h in _active(posterior, a, sides)]
    lists = EntryLists.holding([posterior.entries[a][h] for a, h in active])
    kept = np.array([[*(e.pointer in subset for e in lists.pool), False] for subset in subsets])
    hypotheses = lists.at(np.where(kept[:, lists.of], lists.of, -1).reshape(-1, lists.of.shape[1]))
    wears = [posterior.wear(a) for a, _ in active] * len(subsets)
    likelihood = log_likelihood(posterior.table, rows, hypotheses, posterior.model, wears)
    world = np.stack([posterior.log_world[a, h][every] for a, h in active])
    joint = likelihood.reshape(len(subsets), len(active), every.size) + world
    return {
        c: log_sum_exp(joint[:, :, i:j].reshape(len(subsets), -1), axis=1)
        for c, (i, j) in zip(classes, pairwise(ends), strict=True)
    }


def weights_in_bits(posterior: Posterior, pairs: Sequence[tuple[int, int]]) -> list[dict[str, float]]:
    """Bits by pointer, `prior` among them, for each (candidate, runner-up) pair of classes (-1: none of them)."""
    pointers = list(dict.fromkeys(e.pointer for e in posterior.entries[0][0]))
    subsets = _subsets(pointers)
    masses = _log_masses(posterior, sorted({c for pair in pairs for c in pair}), subsets)
    answer = {c: float(log_sum_exp(_weights(posterior, c).reshape(1, -1), axis=1)[0]) for c in masses}
    found = []
    for candidate, runner_up in pairs:
        bits = (masses[candidate] - masses[runner_up]) / math.log(2)
        bits[-1] = (answer[candidate] - answer[runner_up]) / math.log(2)
        found.append(_shared_out(pointers, subsets, dict(zip(subsets, bits, strict=True))))
    return found


def _shared_out(
    pointers: Sequence[str], subsets: list[frozenset[str]], value: dict[frozenset[str], float]
) -> dict[str, float]:
    """The log-odds shared out over the readings: Shapley's way, or in order where there are too many."""
    weights = {"prior": float(value[frozenset()])}
    n = len(pointers)
    if n > EXACT_UP_TO:
        for k, pointer in enumerate(pointers):
            weights[pointer] = float(value[subsets[k + 1]] - value[subsets[k]])
        return weights
    share = [math.factorial(k) * math.factorial(n - k - 1) / math.factorial(n) for k in range(n)]
    for pointer in pointers:
        without = [s for s in subsets if pointer not in s]
        weights[pointer] = float(sum(share[len(s)] * (value[s | {pointer}] - value[s]) for s in without))
    return weights


def best_row(posterior: Posterior, class_index: int) -> int:
    """The row of a class that holds most weight: its part as made, or as a regrind."""
    rows = np.flatnonzero(posterior.row_class == class_index)
    return int(rows[posterior.row_probability[rows].argmax()])


def _row(posterior: Posterior, submission: Submission, row: int, e: Entry, bits: float) -> Evidence:
    """One evidence row: the weight, and what was measured beside what was expected, in the caller's own terms."""
    if e.truth is Truth.TEETH:
        core = int(posterior.rows.core[row])
        stated = float(posterior.table.teeth[core]) if core >= 0 else -1.0
        if stated < 0:
            return Evidence(e.pointer, bits, is_length=False, measured=e.mean)
        return Evidence(e.pointer, bits, False, e.mean, stated, e.mean - stated)
    if e.truth in (Truth.FAMILY, Truth.TABLE) or e.pointer == EVENTS_POINTER:
        return Evidence(e.pointer, bits, is_length=False)
    reading = submission.readings[int(e.pointer.rsplit("/", 1)[1])]
    is_length = not reading.feature.is_angle
    measured = float(reading.mean) * (float(submission.unit.mm) if is_length else 1.0)
    means, sds = expectation(posterior, np.array([row]), e, reading)
    expected, truth_sd = float(means[0]), float(sds[0])
    if reading.feature is Feature.ZERO_CHECK:
        expected = float(reading.reference or 0) * float(submission.unit.mm)
    if reading.feature is Feature.VALVE_LIFT:
        expected -= float(reading.lash or 0) * float(submission.unit.mm)
    own = spread_of_mean(reading, submission, posterior.model)
    scale = 1.0
    if reading.feature is Feature.DURATION and reading.degrees is Degrees.CAM:
        expected, scale = expected / 2, 0.5
    if not math.isfinite(expected):
        return Evidence(e.pointer, bits, is_length, measured)
    spread = math.sqrt(own.sd**2 + own.technique_mean**2 + own.zero_sd**2 + (truth_sd * scale) ** 2)
    return Evidence(e.pointer, bits, is_length, measured, expected, measured - expected, spread)


def evidence(
    posterior: Posterior, submission: Submission, pairs: Sequence[tuple[int, int]]
) -> list[tuple[Evidence, ...]]:
    """For each (candidate, runner-up) pair of classes (-1: not in the catalogue) its evidence rows, the prior first."""
    if not pairs:
        return []
    entries = {e.pointer: e for e in posterior.entries[0][0]}
    found = []
    for (candidate, _), weights in zip(pairs, weights_in_bits(posterior, pairs), strict=True):
        row = best_row(posterior, candidate)
        prior = Evidence("prior", weights.pop("prior"), is_length=False)
        found.append((prior, *(_row(posterior, submission, row, entries[p], bits) for p, bits in weights.items())))
    return found
