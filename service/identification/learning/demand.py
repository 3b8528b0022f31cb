"""Which parts callers have: each part's share of them, learned from confirmed cases.

A catalogue states at most what was sold of a part, and callers are not buyers: of some parts more come back than their
sales say, of others fewer. A confirmed case says which part one caller had. The model is

    n_k ~ Poisson(E_k u_c v_k),   log u_c ~ Normal(0, core_spread^2),   v_k ~ Gamma(mean 1, variance part_spread^2)

for the n_k confirmed callers with class k (part numbers of one and the same grind) on core c, of whom the catalogue's
own shares let one expect E_k. Given u a count is negative binomial and v's posterior mean has a closed form, (1/s^2 +
n_k) / (1/s^2 + E_k u_c) with s the part_spread (D. Clayton and J. Kaldor, Empirical Bayes estimates of age-standardized
relative risks for use in disease mapping, Biometrics 43 (1987) 671); u is summed out by Laplace's method at its mode
(N. E. Breslow and D. G. Clayton, Approximate inference in generalized linear mixed models, Journal of the American
Statistical Association 88 (1993) 9). With equal shares on one core that is the Dirichlet-multinomial with 1/s^2 for
each class. The two spreads are those of the greatest marginal likelihood times a penalty, exponential in each spread,
that keeps them at zero until the counts say otherwise (D. Simpson and others, Penalising model component complexity,
Statistical Science 32 (2017) 1): with no spread the shares are the catalogue's own, whatever the counts.

Confirmed cases are not drawn at random. A part is confirmed more often where it is easily identified, sold on, or sent
to the bench because it is hard; shares learned from them are those of the callers who get confirmed, and so is the
score on confirmed cases that were held out. How unevenly it happens is seen in the cases that were answered with one
part (`confirmed_unevenly`), and is told beside the shares. What bounds the harm: no
part falls below `LEAST_OF_CATALOGUE` of its catalogue share, so that no count, however it came about, speaks more than
log2(1 / LEAST_OF_CATALOGUE) = 2.3 bits against a part; what callers turn out to have never names one of two parts that
the readings do not tell apart (`decision.py`); and nothing is put to use unless a person does it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq
from scipy.special import gammaln

from service.domain.arrays import Floats, Ints
from service.identification.catalogue_table.table import CatalogueTable

LEAST_OF_CATALOGUE = 0.2
"""A part's share stays above this part of what the catalogue gives it."""

_SPREADS = (0.0, *np.geomspace(0.06, 2.0, 18).tolist())
"""The spreads that are tried, of cores and of parts; 0.4 is a factor of 1.5, one standard deviation."""
_CORE_PENALTY, _PART_PENALTY = 4.0, 2.0
"""Nats a spread of one costs: before any case was seen cores are held to differ by 0.25 in the mean, parts by 0.5."""
_MOST_STEPS = 60
_LONGEST_STEP = 1.0
_CLOSE = 1e-10


@dataclass(frozen=True)
class Demand:
    """What confirmed cases say of the parts callers have.

    `callers` has each part number of the catalogue learned from with its confirmed callers, sorted by part number;
    the spreads are of the logarithm of a core's callers, and of a part's beside its core's, about what the catalogue
    lets one expect. It applies to any revision: a part number that is not in `callers` is new since, and has what the
    catalogue and its core say; one that a revision does not have says nothing.
    """

    callers: tuple[tuple[str, int], ...] = ()
    core_spread: float = 0.0
    part_spread: float = 0.0

    @property
    def confirmed(self) -> int:
        """How many callers it was learned from."""
        return sum(count for _, count in self.callers)

    @property
    def says_nothing(self) -> bool:
        """Whether the catalogue's own shares stay."""
        return self.core_spread == self.part_spread == 0 or not self.confirmed


NOTHING_LEARNED = Demand()


@dataclass(frozen=True, eq=False)
class Tally:
    """K classes: confirmed callers, how many of these the catalogue lets one expect, and the core (K,)."""

    callers: Floats
    expected: Floats
    core: Ints

    def by_core(self, values: Floats) -> Floats:
        """Sums of `values` (K,) over each core (C,)."""
        return _sums(self.core, values, int(self.core.max(initial=-1)) + 1)


def class_shares(table: CatalogueTable) -> Floats:
    """Each class's share of callers under `table` (classes,), summing to one."""
    return _sums(table.class_of, np.exp(table.log_prior), len(table.class_numbers))


def _sums(group: Ints, values: Floats, groups: int) -> Floats:
    return np.bincount(group, values, groups).astype(float)


def learn_demand(table: CatalogueTable, truths: Iterable[str]) -> Demand:
    """What confirmed callers' part numbers say of `table`, whose shares are to be the catalogue's own.

    A superseded number counts for its class; a number that the table does not have is left out. The same whatever the
    order of `truths`. Costs some 400 passes over the classes.
    """
    counts = Counter(truths)
    callers = tuple(sorted((number, counts[number]) for number in table.part_numbers))
    return Demand(callers, *_likeliest_spreads(_tally(table, dict(callers))))


def _likeliest_spreads(tally: Tally) -> tuple[float, float]:
    """(core_spread, part_spread) of the greatest penalised marginal likelihood."""
    return max(
        ((core, part) for core in _SPREADS for part in _SPREADS),
        key=lambda spreads: log_marginal(tally, *spreads) - _CORE_PENALTY * spreads[0] - _PART_PENALTY * spreads[1],
    )


@dataclass(frozen=True)
class Confirmed:
    """Cases that were answered with one part, of how many of them the truth is known, and how uneven that is.

    `spread` is of the logarithm of how often, from part to part, beyond chance.
    """

    cases: int
    confirmed: int
    spread: float


def confirmed_unevenly(table: CatalogueTable, named: Mapping[str, tuple[int, int]]) -> Confirmed:
    """How much more often some parts' cases are confirmed than others'.

    `named` has for each part number (cases answered with it, confirmed ones of these); numbers that the table does not
    have are left out. Reckoned as if few were confirmed: where most are, less is noticed than there is.
    """
    counted = np.array([named.get(number, (0, 0)) for number in table.part_numbers], float).reshape(-1, 2)
    cases, confirmed = (_sums(table.class_of, counted[:, i], len(table.class_numbers)) for i in range(2))
    rate = float(confirmed.sum()) / max(float(cases.sum()), 1.0)
    spreads = _likeliest_spreads(Tally(confirmed, cases * rate, _core_of_class(table)))
    return Confirmed(int(cases.sum()), int(confirmed.sum()), float(np.hypot(*spreads)))


def with_demand(table: CatalogueTable, demand: Demand) -> CatalogueTable:
    """`table`, whose shares are the catalogue's own, with those learned; within a class they stay as they were."""
    if demand.says_nothing or not table.part_numbers:
        return table
    tally = _tally(table, dict(demand.callers))
    before = class_shares(table)
    after = before * _bounded(means(tally, demand.core_spread, demand.part_spread), before)
    return replace(table, log_prior=table.log_prior + np.log(after / before)[table.class_of])


def _tally(table: CatalogueTable, callers: dict[str, int]) -> Tally:
    """The counts by class. Of a class with no number among `callers` nobody could be confirmed: none is expected."""
    counted = np.array([callers.get(number, 0) for number in table.part_numbers], float)
    known = np.array([number in callers for number in table.part_numbers], float)
    classes = len(table.class_numbers)
    of_class = _sums(table.class_of, counted, classes)
    shares = np.where(_sums(table.class_of, known, classes) > 0, class_shares(table), 0.0)
    return Tally(of_class, shares * (of_class.sum() / max(float(shares.sum()), 1e-300)), _core_of_class(table))


def _core_of_class(table: CatalogueTable) -> Ints:
    core = np.zeros(len(table.class_numbers), np.int64)
    core[table.class_of] = table.core_of
    return core


def _bounded(factor: Floats, before: Floats) -> Floats:
    """`factor` (classes,) times whatever makes the shares sum to one where none is below `LEAST_OF_CATALOGUE`."""

    def over(scale: float) -> float:
        return float(before @ np.maximum(scale * factor, LEAST_OF_CATALOGUE)) - 1

    most = 1 / float(before @ factor)
    scale = brentq(over, 0.0, most, xtol=1e-15) if over(most) > 0 else most
    return np.maximum(scale * factor, LEAST_OF_CATALOGUE)


def _core_levels(tally: Tally, core_spread: float, part_spread: float) -> tuple[Floats, Floats]:
    """(mode of each core's log u, curvature there) of the posterior, each (C,): Newton's way, on a concave function."""
    level = tally.by_core(np.zeros(tally.core.size))
    if core_spread == 0:
        return level, level
    variance, precision = part_spread**2, core_spread**-2
    for _ in range(_MOST_STEPS):
        mean = tally.expected * np.exp(level)[tally.core]
        wide = 1 + variance * mean
        slope = tally.by_core((tally.callers - mean) / wide) - precision * level
        curvature = tally.by_core((1 + variance * tally.callers) * mean / wide**2) + precision
        step = np.clip(slope / curvature, -_LONGEST_STEP, _LONGEST_STEP)
        level = level + step
        if np.abs(step).max(initial=0.0) < _CLOSE:
            break
    return level, curvature


def log_marginal(tally: Tally, core_spread: float, part_spread: float) -> float:
    """Log-probability of the counts under the spreads: exact where cores have none, else Laplace's approximation."""
    level, curvature = _core_levels(tally, core_spread, part_spread)
    counts, mean = tally.callers, tally.expected * np.exp(level)[tally.core]
    # nobody was expected to be confirmed and nobody was: certain
    log_mean = np.log(np.where(mean > 0, mean, 1.0))
    whole = float((counts * log_mean - gammaln(counts + 1)).sum())
    if part_spread == 0:
        whole -= float(mean.sum())
    else:
        variance = part_spread**2
        size = 1 / variance
        whole += float(
            (
                gammaln(size + counts)
                - gammaln(size)
                + counts * np.log(variance)
                - (size + counts) * np.log1p(variance * mean)
            ).sum()
        )
    if core_spread > 0:
        whole -= float((0.5 * (level / core_spread) ** 2 + np.log(core_spread) + 0.5 * np.log(curvature)).sum())
    return whole


def means(tally: Tally, core_spread: float, part_spread: float) -> Floats:
    """What each class's share is to be multiplied by, before they are made to sum to one: (K,), all above zero.

    The posterior mean of v at the mode of u, times that.
    """
    level, _ = _core_levels(tally, core_spread, part_spread)
    u = np.exp(level)[tally.core]
    variance = part_spread**2
    return np.asarray(u * (1 + variance * tally.callers) / (1 + variance * tally.expected * u))


@dataclass(frozen=True)
class PartShare:
    """A class's share of callers under two demands, by its current number, and its confirmed callers."""

    part_number: str
    confirmed: int
    before: float
    after: float


def shares_beside(table: CatalogueTable, before: Demand, after: Demand) -> Sequence[PartShare]:
    """Every class of `table`, whose shares are the catalogue's own, that which changes most first."""
    old, new = (class_shares(with_demand(table, demand)) for demand in (before, after))
    counted = dict(after.callers)
    order = np.argsort(-np.abs(new - old), kind="stable")
    return [
        PartShare(numbers[0], sum(counted.get(n, 0) for n in numbers), float(old[i]), float(new[i]))
        for i, numbers in ((int(i), table.class_numbers[i]) for i in order)
    ]
