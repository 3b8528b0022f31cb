"""How often two parts are taken for each other: the error of the better of two guesses, from the engine's own spreads.

Two parts A and B, equally likely beforehand, are told apart by the sign of their log-likelihood ratio. To second order
the readings r of either are normal about its nominal values, with one covariance S: making, wear, the tool's zero that
all of its readings share, the lobe's base circle that its height shares, scatter, rounding and technique, all of them
from `spread_of_mean` and the table. With d the difference of the nominal values the expected log-likelihood
ratio is half of

    D^2 = d' S^-1 d          (P. C. Mahalanobis, On the Generalised Distance in Statistics, 1936)

and the chance of the wrong sign is Phi(-D / 2). A hand of unknown steadiness and a zero that may be far off are summed
over, each state with its own S. A regrind's base circle tells nothing, and is not reckoned with here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from scipy.optimize import brentq
from scipy.spatial import KDTree
from scipy.special import ndtr

from service.domain.arrays import Floats, Ints
from service.domain.readings import Condition, Feature, Instrument, Reading, Source, Submission, Written
from service.domain.units import LengthUnit
from service.identification.measuring.model import MeasuringModel, spread_of_mean

_UNSEEN = 1e6
"""Variance of a reading that one of the two parts says nothing of."""
_PAIRS_AT_ONCE = 20_000


@dataclass(frozen=True)
class State:
    """One state a caller may be in: its share, the hand's level, and the factor on the spread of their tools' zeros."""

    share: float
    level: float
    zero: float


def states_of(model: MeasuringModel) -> tuple[State, ...]:
    """Every hand with a good zero and with a bad one, the steadiest with a good one first."""
    bad = model.zero_bad_share
    found = [
        State(share * of_zero, level, zero)
        for level, share in sorted(model.hand_levels)
        for zero, of_zero in ((1.0, 1 - bad), (model.zero_bad_factor, bad))
    ]
    return tuple(found)


@dataclass(frozen=True, eq=False)
class Column:
    """One reading that could be taken of every part.

    `nominal` (N,) is what each part would read, NaN where the catalogue does not say; `own_variance` (N,) that of a
    truth no other reading sees; `error_variance` (S,) the hand's and the tool's in each state; `base` and `lift` name
    the kind of lobe whose true base circle and lift it sees. `tool` is set where the reading carries its zero.
    """

    nominal: Floats
    own_variance: Floats
    error_variance: Floats
    tool: Instrument | None = None
    zero_variance: float = 0.0
    base: int | None = None
    lift: int | None = None


def error_of(reading: Reading, unit: LengthUnit, model: MeasuringModel) -> tuple[Floats, Instrument | None, float]:
    """(variance in each state, the tool whose zero it carries, that zero's variance) of a used shaft's reading."""
    submission = Submission(Source.PHONE, unit, (reading,), condition=Condition.USED)
    of_states = [spread_of_mean(reading, submission, model, state.level) for state in states_of(model)]
    zero_sd = of_states[0].zero_sd
    variances = np.array([e.sd**2 + e.technique_mean**2 for e in of_states])
    return variances, reading.instrument if zero_sd > 0 else None, zero_sd**2


def once(feature: Feature, tool: Instrument, **qualifiers: object) -> Reading:
    """A reading taken once, to be asked how well it is read; its value means nothing."""
    return Reading(feature, (Written(Decimal(1)),), tool, **qualifiers)  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False)
class Making:
    """How far parts stray from their nominal lobes: variances (N, 2) of base circle and of lift, wear included."""

    base: Floats
    lift: Floats


def covariances(
    columns: Sequence[Column], own: Floats, base: Floats, lift: Floats, states: Sequence[State]
) -> list[Floats]:
    """S of P pairs in each state, (P, n, n): from `own` (n, P), and `base` and `lift` (P, 2)."""
    n, p = own.shape
    common = np.zeros((p, n, n))
    for i, a in enumerate(columns):
        common[:, i, i] += own[i]
        for j, b in enumerate(columns):
            if a.base is not None and a.base == b.base:
                common[:, i, j] += base[:, a.base]
            if a.lift is not None and a.lift == b.lift:
                common[:, i, j] += lift[:, a.lift]
    found = []
    for s, state in enumerate(states):
        zeros = np.array(
            [[a.zero_variance if a.tool is not None and a.tool is b.tool else 0.0 for b in columns] for a in columns]
        )
        errors = np.diag([c.error_variance[s] for c in columns])
        found.append(common + errors + zeros * state.zero**2)
    return found


def distances(columns: Sequence[Column], making: Making, pairs: Ints, states: Sequence[State]) -> Floats:
    """D of each pair (P, 2) in each state: (S, P)."""
    found = np.empty((len(states), len(pairs)))
    for start in range(0, len(pairs), _PAIRS_AT_ONCE):
        one, other = pairs[start : start + _PAIRS_AT_ONCE].T
        apart = np.stack([c.nominal[one] - c.nominal[other] for c in columns])
        own = np.stack([(c.own_variance[one] + c.own_variance[other]) / 2 for c in columns])
        unsaid = ~np.isfinite(apart)
        apart, own = np.where(unsaid, 0.0, apart), np.where(unsaid, _UNSEEN, own)
        base, lift = (np.nan_to_num((v[one] + v[other]) / 2) for v in (making.base, making.lift))
        for s, covariance in enumerate(covariances(columns, own, base, lift, states)):
            weights = np.linalg.solve(covariance, apart.T[:, :, None])[:, :, 0]
            found[s, start : start + len(one)] = np.sqrt(np.maximum((weights * apart.T).sum(axis=1), 0.0))
    return found


def wrong_guesses(distances_: Floats, states: Sequence[State]) -> Floats:
    """The chance of the wrong one of two, from D (S, P): (P,)."""
    shares = np.array([state.share for state in states])
    return np.asarray(shares @ ndtr(-distances_ / 2))


def wrong_guesses_with_count(distances_: Floats, states: Sequence[State], right: float) -> Floats:
    """The same with a count beside the readings that differs between the two and is right so often.

    A wrong count is as likely too small as too large, so it is the other part's in half of them; otherwise it tells
    neither. The log-likelihood ratio of the readings is Normal(D^2 / 2, D^2), to which that of the count is added.
    """
    miscount = (1 - right) / 2
    told = math.log(right / miscount)
    away = np.maximum(distances_, 1e-9)
    both = right * ndtr(-(away / 2 + told / away)) + miscount * ndtr(-(away / 2 - told / away))
    return np.asarray(np.array([state.share for state in states]) @ (both + miscount * ndtr(-away / 2)))


def near_pairs(columns: Sequence[Column], making: Making, states: Sequence[State], rate: float) -> Ints:
    """Pairs (P, 2), i < j, among which is every one whose chance of the wrong guess exceeds `rate`.

    The largest variances anywhere bound every pair's S from above, and S of every state is bounded by a multiple of the
    first's; so a ball in the coordinates that make the first the identity holds all of them (a k-d tree).
    """
    told = [c for c in columns if np.isfinite(c.nominal).all()]
    points = np.stack([c.nominal for c in told])
    own = np.array([[float(c.own_variance.max())] for c in told])
    base, lift = (np.nanmax(np.nan_to_num(v), axis=0)[None] for v in (making.base, making.lift))
    widest = [covariance[0] for covariance in covariances(told, own, base, lift, states)]
    root = np.linalg.cholesky(widest[0])
    inverse = np.linalg.inv(root)
    largest = np.array([np.linalg.eigvalsh(inverse @ s @ inverse.T)[-1] for s in widest])
    radius = _radius(np.sqrt(1 / largest), states, rate)
    found: Ints = KDTree((inverse @ points).T).query_pairs(radius, output_type="ndarray")
    return found


def _radius(shrunk: Floats, states: Sequence[State], rate: float) -> float:
    """The distance in the first state from which on the wrong guess is rarer than `rate`, whatever the direction."""
    shares = np.array([state.share for state in states])
    return float(brentq(lambda r: float(shares @ ndtr(-shrunk * r / 2)) - rate, 0.0, 1e4))
