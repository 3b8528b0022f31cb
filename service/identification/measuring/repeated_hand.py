"""What a submission's repeats tell of the hand that took them.

The measuring model gives a hand's scatter beforehand, at one of a few levels of care. Repeats are a Type A evaluation
of the same scatter, so the two are pooled (JCGM 100, 4.2.4 and G.3, in Bayesian dress):

* one entry's variance v (scatter and the part of rounding that repeats can show) has, at each level, a scaled inverse
  chi-squared prior whose mean is the model's variance and which is worth `PRIOR_WORTH` degrees of freedom;
* n repeats with sum of squares S about their mean then make it (PRIOR_WORTH v + S) / (PRIOR_WORTH + n - 1);
* the level is the hand's, so the repeats of every entry weigh the levels against each other, by the marginal
  likelihood of S.

So identical repeats never mean no uncertainty, two wild ones are not explained away, and many repeats win.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal

from service.domain.readings import Reading, Submission
from service.identification.measuring.model import EntryError, MeasuringModel, rounding_variance_of_mean, spread_of_mean
from service.identification.measuring.repeats import pooled_variance, repeat_statistics

PRIOR_WORTH = 4.0
"""Degrees of freedom that the model's scatter counts for against one entry's repeats (our own judgement)."""


@dataclass(frozen=True)
class SeenHand:
    """One level of care and what it weighs after the repeats; the weights of a submission's levels sum to one."""

    level: float
    weight: float


def seen_hands(submission: Submission, model: MeasuringModel) -> tuple[SeenHand, ...]:
    """The levels the hand may have, weighed by every entry's repeats."""
    levels = [(level, share) for level, share in model.hand_levels if share > 0]
    logs = [
        math.log(share) + math.fsum(_log_repeats(r, submission, model, level) for r in submission.readings)
        for level, share in levels
    ]
    top = max(logs)
    total = math.fsum(math.exp(log - top) for log in logs)
    return tuple(SeenHand(level, math.exp(log - top) / total) for (level, _), log in zip(levels, logs, strict=True))


def seen_error(reading: Reading, submission: Submission, model: MeasuringModel, level: float) -> EntryError:
    """The error of an entry's mean at one level of care, its scatter pooled from the model's and the repeats' own."""
    error = spread_of_mean(reading, submission, model, level)
    if error.repeats < 2:
        return error
    within = _variance_repeats_show(error)
    squares = _sum_of_squares(reading, submission)
    dof = error.repeats - 1
    pooled = pooled_variance([(within, PRIOR_WORTH), (squares / dof, dof)])
    # rounding stays what it is, so what is seen beyond or below the expected is laid to the scatter, of which at
    # least the prior's own share is left
    least = error.scatter_sd**2 * PRIOR_WORTH / (PRIOR_WORTH + dof)
    scatter = math.sqrt(max(error.scatter_sd**2 + pooled - within, least))
    return spread_of_mean(reading, submission, model, level, scatter_sd=scatter)


def _variance_repeats_show(error: EntryError) -> float:
    """One repeat's expected variance about its entry's own mean: scatter, and the rounding that is not shared."""
    of_mean = rounding_variance_of_mean(error.step, error.scatter_sd, error.repeats)
    not_shared = (error.step**2 / 12 - of_mean) * error.repeats / (error.repeats - 1)
    return error.scatter_sd**2 + not_shared


def _sum_of_squares(reading: Reading, submission: Submission) -> float:
    """Sum of squares of an entry's repeats about their mean, in mm^2 or squared degrees."""
    seen = repeat_statistics([w.value for w in reading.values])
    unit = 1.0 if reading.feature.is_angle else float(submission.unit.mm)
    return float((seen.sd or Decimal(0)) ** 2) * (seen.n - 1) * unit**2


def _log_repeats(reading: Reading, submission: Submission, model: MeasuringModel, level: float) -> float:
    """Log marginal likelihood of an entry's repeats at one level, but for a constant common to all levels."""
    error = spread_of_mean(reading, submission, model, level)
    if error.repeats < 2:
        return 0.0
    prior_sum = PRIOR_WORTH * _variance_repeats_show(error)
    prior_dof = PRIOR_WORTH + 2  # an inverse chi-squared of nu has its mean at nu / (nu - 2) of its scale
    posterior_dof = prior_dof + error.repeats - 1
    return 0.5 * prior_dof * math.log(prior_sum) - 0.5 * posterior_dof * math.log(
        prior_sum + _sum_of_squares(reading, submission)
    )
