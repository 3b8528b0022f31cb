"""Scores of probability statements: coverage at an error rate, log and Brier scores, reliability, Murphy's parts.

Arrays are one-dimensional, one entry a case, unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


def coverage_at_error(confidence: ArrayLike, right: ArrayLike, error: float) -> float:
    """Largest share of cases that can be answered, surest first, with at most `error` of those answers wrong.

    Cases of equal confidence are answered together or not at all. A confidence of minus infinity is never answered.
    """
    sure = np.asarray(confidence, float)
    wrong = ~np.asarray(right, bool)
    order = np.argsort(-sure, kind="stable")
    sure, wrong = sure[order], wrong[order]
    answered = np.arange(1, len(sure) + 1)
    last_of_its_kind = np.append(sure[1:] != sure[:-1], True)
    allowed = last_of_its_kind & (np.cumsum(wrong) <= error * answered) & (sure > -np.inf)
    return float(answered[allowed].max() / len(sure)) if allowed.any() else 0.0


def log_score(probability_of_truth: ArrayLike) -> float:
    """Mean of -ln(probability given to what was so), in nats; smaller is better."""
    return float(-np.mean(np.log(np.maximum(np.asarray(probability_of_truth, float), 1e-300))))


def brier_score(probability: ArrayLike, happened: ArrayLike) -> float:
    """Mean squared difference of probability and outcome; for rows over several classes, summed over the classes."""
    square = (np.asarray(probability, float) - np.asarray(happened, float)) ** 2
    return float(square.mean() if square.ndim == 1 else square.sum(axis=1).mean())


@dataclass(frozen=True)
class MurphyParts:
    """Brier score = reliability - resolution + uncertainty (A. H. Murphy, J. Appl. Meteorol. 12 (1973) 595)."""

    reliability: float
    resolution: float
    uncertainty: float


def murphy_parts(probability: ArrayLike, happened: ArrayLike) -> MurphyParts:
    """Murphy's parts of a two-class Brier score, over the distinct values of `probability`."""
    stated, seen = np.asarray(probability, float), np.asarray(happened, float)
    climate = seen.mean()
    reliability = resolution = 0.0
    for value in np.unique(stated):
        group = seen[stated == value]
        reliability += len(group) * (value - group.mean()) ** 2
        resolution += len(group) * (group.mean() - climate) ** 2
    n = len(stated)
    return MurphyParts(reliability / n, resolution / n, float(climate * (1 - climate)))


@dataclass(frozen=True)
class ReliabilityBin:
    """Cases of like stated probability: the mean stated, the share observed, and the standard error of the latter.

    The standard error is that of the share if every statement were true, so it does not vanish at 0 or 1.
    """

    count: int
    stated: float
    observed: float
    standard_error: float

    def agrees(self, allowance: float = 0.03) -> bool:
        """True where stated and observed differ by no more than `allowance` plus two standard errors."""
        return abs(self.stated - self.observed) <= allowance + 2 * self.standard_error


def reliability_bins(stated: ArrayLike, happened: ArrayLike, bins: int = 10) -> tuple[ReliabilityBin, ...]:
    """Bins of equal count, from the least stated probability to the greatest."""
    probability, seen = np.asarray(stated, float), np.asarray(happened, float)
    order = np.argsort(probability, kind="stable")
    found = []
    for part in np.array_split(order, bins):
        if len(part):
            p = probability[part]
            error = float(np.sqrt((p * (1 - p)).sum()) / len(part))
            found.append(ReliabilityBin(len(part), float(p.mean()), float(seen[part].mean()), error))
    return tuple(found)
