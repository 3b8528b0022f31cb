"""From probabilities to what the desk says, by an explicit loss."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.domain.arrays import Floats, Ints
from service.domain.identification import AnswerState
from service.identification.answer.losses import Losses
from service.identification.catalogue_table.rows import Kind
from service.identification.posterior import Posterior


@dataclass(frozen=True, eq=False)
class Standing:
    """The classes in order of probability, and how the posterior stands to them.

    `order` (n,) are class indices, best first; `probability` (n,) theirs; `reground` (n,) the chance that each, being
    the part, is a regrind; `log_likelihood` (n,) what the readings alone say of each. `outside` is the chance of no
    catalogue part, `nonsense` its share for readings that mean nothing at all.
    """

    order: Ints
    probability: Floats
    reground: Floats
    log_likelihood: Floats
    outside: float
    nonsense: float


_WORTH_LISTING = 1e-4


def standing(posterior: Posterior) -> Standing:
    """Add the rows up by class."""
    row = posterior.row_probability
    of = posterior.row_class
    inside = of >= 0
    classes, member = np.unique(of[inside], return_inverse=True)
    total: Floats = np.bincount(member, row[inside], minlength=classes.size).astype(float)
    is_regrind = posterior.rows.kind[inside] == Kind.REGROUND
    regrind = np.bincount(member, np.where(is_regrind, row[inside], 0.0), minlength=classes.size)
    prior = np.bincount(member, np.exp(posterior.rows.log_prior[inside]), minlength=classes.size)
    order = np.argsort(-total, kind="stable")
    listed = order[total[order] >= _WORTH_LISTING]
    share = total[listed]
    return Standing(
        order=classes[listed],
        probability=share,
        reground=regrind[listed] / np.where(share > 0, share, 1.0),
        log_likelihood=np.log(share) - np.log(prior[listed]),
        outside=float(row[~inside].sum()),
        nonsense=float(row[posterior.rows.kind == Kind.NONSENSE].sum()),
    )


_TOLD_APART = 0.05
"""Classes whose log-likelihoods differ by less are not told apart by the readings, whatever their callers are like."""


def _twins(standing_: Standing, place: int) -> Ints:
    """Places of the classes that the readings do not tell from the one at `place`, itself included."""
    away = np.abs(standing_.log_likelihood - standing_.log_likelihood[place])
    return np.flatnonzero(away < _TOLD_APART)


def credible_set(standing_: Standing, losses: Losses) -> tuple[int, ...]:
    """Places (into `standing_.order`) of the fewest classes that hold the credible level of what is in the catalogue.

    Two classes that the readings do not tell apart are both in it or neither is.
    """
    inside = float(standing_.probability.sum())
    if inside <= 0:
        return ()
    held = np.cumsum(standing_.probability) / inside
    enough = min(int(np.searchsorted(held, losses.credible_level) + 1), held.size)
    members: set[int] = set()
    for place in range(enough):
        members.update(int(i) for i in _twins(standing_, place))
    return tuple(sorted(members))


def decide(standing_: Standing, losses: Losses, readings_left: bool) -> AnswerState:
    """The state that costs least. `readings_left` says whether asking for one more reading could still help.

    A part is named when naming it costs less than handing over, unless a twin fits the readings just as well: which
    parts callers have never names one alone. Readings that do not hang together are to be taken again, not called a
    stranger.
    """
    best = float(standing_.probability[0]) if standing_.probability.size else 0.0
    if best >= losses.sure_enough and _twins(standing_, 0).size == 1:
        return AnswerState.IDENTIFIED
    if standing_.nonsense > 0.5:
        return AnswerState.MORE_READINGS_NEEDED
    if standing_.outside >= losses.sure_enough or (standing_.outside > 0.5 and not readings_left):
        return AnswerState.NOT_IN_CATALOGUE
    few = 0 < len(credible_set(standing_, losses)) <= losses.longest_set and standing_.outside <= 0.5
    return AnswerState.AMBIGUOUS if few or not readings_left else AnswerState.MORE_READINGS_NEEDED
