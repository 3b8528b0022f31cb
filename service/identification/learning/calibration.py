"""Learning from confirmed cases: refits how this desk's callers and their tools err, from shafts whose part came out.

Two things are learned, together or one alone: the constants of the measuring model, here, and each part's share of the
callers, in `demand.py`.

A confirmed case is a set of readings whose true part is known. What is refitted are factors on the model's constants:
on the tools' zeros, on the hand's scatter, on the one-sided technique, on wear, and on the chance of every slip. They
are found by maximum likelihood with a penalty, a normal on each factor's logarithm, so that a few cases move them
little (a maximum a posteriori estimate). Standard errors come from the information that the cases' own scores show
(the sum of their outer products; E. K. Berndt, B. H. Hall, R. E. Hall and J. A. Hausman, Estimation and Inference in
Nonlinear Structural Models, Annals of Economic and Social Measurement 3/4 (1974) 653) and the penalty's.

A few cases are wild: two slips at once, a digit misheard among the repeats, a wrong confirmation. No constants explain
these, and one of them would outweigh hundreds. So each case's likelihood is mixed with small shares of what a hand
`_WILD_SCATTER` times as unsteady would make of it, and of readings that mean nothing, whatever the constants (a
contaminated model; P. J. Huber, Robust Estimation of a Location Parameter, Annals of Mathematical Statistics 35 (1964)
73): a case that fits these better says nothing any more.

Every third case is held out of the fit. What the new constants are worth is said by the log score of the posterior on
these, beside the old constants' on the same cases; and then what the shares are worth that the fitted cases alone show.
The shares to be put to use are learned in the same way from every case.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType

import numpy as np
from scipy.optimize import minimize

from service.domain.arrays import Floats, Ints
from service.domain.errors import InvalidInput
from service.domain.readings import Feature, Instrument, Submission
from service.identification.catalogue_table.table import CatalogueTable
from service.identification.learning.demand import (
    NOTHING_LEARNED,
    Demand,
    PartShare,
    learn_demand,
    shares_beside,
    with_demand,
)
from service.identification.learning.marks import MarkedEntries, wild_log_density
from service.identification.measuring.model import MeasuringModel
from service.identification.numerics.densities import log_sum_exp
from service.identification.posterior import log_evidence, weigh

FACTORS = ("zero", "scatter", "technique", "wear", "slips")
PENALTY_SD = 0.4
"""Spread of a factor's logarithm before any case was seen: constants from practice are right within a factor of 1.5."""
FEWEST_CASES = 20
HELD_OUT = 3
"""One case in so many is held out."""

_STEP = 0.03
"""Of a factor's logarithm, for its slope; half of it is how far off the estimate may be, far below its error."""
_FURTHEST = 2.0
"""Factors beyond exp of this are not tried: the penalty alone is then over twelve nats."""
_SLOPE_LEFT = 0.1
"""The fit ends where a step of one standard error would gain less than this many nats."""
_GAIN_LEFT = 2e-4
"""... or an iteration has gained less than this share of the log-likelihood."""
_MOST_ITERATIONS = 25
_UNLIKELY_NATS = 12.0
"""Slips so far below a case's likeliest reading of it are left out of the fit."""
_WILD_SHARE = 0.02
_MEANINGLESS_SHARE = 0.005
_WILD_SCATTER = 6.0
_MOST_SLIP_CHANCE = 0.2
_LEAST_PROBABILITY = 1e-6


@dataclass(frozen=True)
class LabelledCase:
    """Readings, and the part number that the shaft turned out to be; None for nobody's part."""

    submission: Submission
    truth: str | None


@dataclass(frozen=True)
class Refit:
    """A factor on one kind of constants: its estimate, and the standard error of its natural logarithm."""

    name: str
    factor: float
    log_sd: float


class Learn(StrEnum):
    """What is to be learned; the other stays as it is in use."""

    BOTH = "both"
    CONSTANTS = "constants"
    SHARES = "shares"


@dataclass(frozen=True)
class Gain:
    """What one change is worth on the held-out cases: mean of old less new log score, and its standard error (nats)."""

    mean: float
    sd: float


@dataclass(frozen=True)
class Calibration:
    """What was learned, and the mean log score (nats, less is better) on the held-out cases.

    `score_before` is what is in use now, `score_refitted` the refitted constants beside the shares in use, and
    `score_after` both. `factors` and `of_constants` are empty and None where the constants were not refitted, `shares`
    and `of_shares` where the shares were not learned; `shares` has those that change most first.
    """

    factors: tuple[Refit, ...]
    model: MeasuringModel
    demand: Demand
    shares: tuple[PartShare, ...]
    fitted: int
    held_out: int
    score_before: float
    score_refitted: float
    score_after: float
    of_constants: Gain | None
    of_shares: Gain | None


def with_factors(model: MeasuringModel, factors: Mapping[str, float]) -> MeasuringModel:
    """`model` with its constants multiplied by `factors`, by name; what is not named stays.

    The bench is the desk's own, and no caller tells anything of it.
    """
    zero, scatter, technique, wear, slips = (factors.get(name, 1.0) for name in FACTORS)
    tools = {
        instrument: tool
        if instrument is Instrument.BENCH
        else replace(
            tool,
            zero_sd=tool.zero_sd * zero,
            scatter=tool.scatter * scatter,
            height_small=tool.height_small * technique,
            base_large=tool.base_large * technique,
        )
        for instrument, tool in model.tools.items()
    }
    chances = {slip: min(chance * slips, _MOST_SLIP_CHANCE) for slip, chance in model.slip_priors.items()}
    return replace(
        model,
        tools=MappingProxyType(tools),
        slip_priors=MappingProxyType(chances),
        indicator_lift_extra=model.indicator_lift_extra * scatter,
        flank_roll_mean=model.flank_roll_mean * technique,
        nose_wear_mean=model.nose_wear_mean * wear,
        journal_wear_mean=model.journal_wear_mean * wear,
    )


def losses_of(table: CatalogueTable, cases: Sequence[LabelledCase], model: MeasuringModel) -> Floats:
    """-log(probability given to the truth) of each of `cases`, in nats: (cases,)."""
    index = {number: i for i, number in enumerate(table.part_numbers)}
    lost = []
    for case in cases:
        posterior = weigh(table, case.submission, model)
        its_class = -1 if case.truth is None else table.class_of[index[case.truth]]
        given = float(posterior.row_probability[posterior.row_class == its_class].sum())
        lost.append(-math.log(max(given, _LEAST_PROBABILITY)))
    return np.array(lost, float)


class _Fit:
    """The cases to fit, and their log-evidence at any factors."""

    def __init__(self, table: CatalogueTable, cases: Sequence[tuple[Submission, int]], model: MeasuringModel) -> None:
        self._table = table
        self._cases = [(_callers_own(submission), part) for submission, part in cases]
        self._model = model
        self._kept: list[Ints | None] = [None] * len(cases)
        self._kept = [np.flatnonzero(each > each.max() - _UNLIKELY_NATS) for each in self._of_slips(model)]
        wild = with_factors(model, {"scatter": _WILD_SCATTER})
        meaningless = [wild_log_density(table, submission, model) for submission, _ in self._cases]
        self._wild = np.logaddexp(
            self._log_evidence(wild) + math.log(_WILD_SHARE),
            np.array(meaningless, float) + math.log(_MEANINGLESS_SHARE),
        )
        self._known: dict[bytes, Floats] = {}

    def _of_slips(self, model: MeasuringModel) -> Iterator[Floats]:
        for (submission, part), kept in zip(self._cases, self._kept, strict=True):
            source = MarkedEntries(submission, model, self._table.families)
            yield log_evidence(self._table, submission, part, model, source, kept)

    def _log_evidence(self, model: MeasuringModel) -> Floats:
        return np.array([float(log_sum_exp(each, axis=0)) for each in self._of_slips(model)])

    def model_at(self, logs: Floats) -> MeasuringModel:
        factors = np.exp(np.clip(logs, -_FURTHEST, _FURTHEST)).tolist()
        return with_factors(self._model, dict(zip(FACTORS, factors, strict=True)))

    def each(self, logs: Floats) -> Floats:
        """Log-likelihood of each case: (cases,)."""
        key = logs.tobytes()
        if key not in self._known:
            sound = self._log_evidence(self.model_at(logs)) + math.log1p(-_WILD_SHARE - _MEANINGLESS_SHARE)
            self._known[key] = np.logaddexp(sound, self._wild)
        return self._known[key]

    def scores(self, logs: Floats) -> Floats:
        """Each case's slopes: (factors, cases)."""
        steps = np.eye(len(FACTORS)) * _STEP
        here = self.each(logs)
        return np.stack([(self.each(logs + step) - here) / _STEP for step in steps])


def _callers_own(submission: Submission) -> Submission:
    """The readings that tell of callers and their tools: not the bench's, nor the length, which is read any old how."""
    readings = tuple(
        reading
        for reading in submission.readings
        if submission.instrument_of(reading) is not Instrument.BENCH and reading.feature is not Feature.OVERALL_LENGTH
    )
    return replace(submission, readings=readings)


def calibrate(
    table: CatalogueTable,
    cases: Sequence[LabelledCase],
    model: MeasuringModel,
    *,
    before: MeasuringModel | None = None,
    demand: Demand = NOTHING_LEARNED,
    learn: Learn = Learn.BOTH,
    progress: Callable[[float], None] = lambda _: None,
) -> Calibration:
    """Refit `model` to `cases`, of which every third is held out, and learn the parts' shares of callers from them.

    `table` is built with the same making spreads and has the catalogue's own shares. In use now are the constants
    `before`, `model` unless it is given, and the shares `demand`: what is learned is compared with these, and what is
    not to be learned stays what it is among them.

    A shaft that is nobody's part tells nothing of the factors, and serves only to score. `progress` is told the
    penalised log-likelihood as it goes. Deterministic. Raises `InvalidInput` with fewer than `FEWEST_CASES` cases whose
    part is known, and KeyError for a part that the table does not have.
    """
    known = sum(case.truth is not None for case in cases)
    if known < FEWEST_CASES:
        detail = f"{known} confirmed cases name a part of this catalogue; a fit needs {FEWEST_CASES}."
        raise InvalidInput(detail)
    held = list(cases[HELD_OUT - 1 :: HELD_OUT])
    rest = [case for i, case in enumerate(cases) if i % HELD_OUT != HELD_OUT - 1]
    in_use = before or model
    lost_before = losses_of(with_demand(table, demand), held, in_use)
    factors: tuple[Refit, ...] = ()
    refitted, lost_refitted = in_use, lost_before
    if learn is not Learn.SHARES:
        factors, refitted = _refit(table, rest, model, progress)
        lost_refitted = losses_of(with_demand(table, demand), held, refitted)
    learned, lost_after = demand, lost_refitted
    if learn is not Learn.CONSTANTS:
        lost_after = losses_of(with_demand(table, learn_demand(table, _truths(rest))), held, refitted)
        learned = learn_demand(table, _truths(cases))
    return Calibration(
        factors=factors,
        model=refitted,
        demand=learned,
        shares=() if learn is Learn.CONSTANTS else tuple(shares_beside(table, demand, learned)),
        fitted=len(_truths(rest)),
        held_out=len(held),
        score_before=float(lost_before.mean()),
        score_refitted=float(lost_refitted.mean()),
        score_after=float(lost_after.mean()),
        of_constants=None if learn is Learn.SHARES else _gain(lost_before, lost_refitted),
        of_shares=None if learn is Learn.CONSTANTS else _gain(lost_refitted, lost_after),
    )


def _truths(cases: Sequence[LabelledCase]) -> list[str]:
    return [case.truth for case in cases if case.truth is not None]


def _gain(old: Floats, new: Floats) -> Gain:
    gain = old - new
    return Gain(float(gain.mean()), float(gain.std(ddof=1) / math.sqrt(gain.size)))


def _refit(
    table: CatalogueTable, cases: Sequence[LabelledCase], model: MeasuringModel, progress: Callable[[float], None]
) -> tuple[tuple[Refit, ...], MeasuringModel]:
    index = {number: i for i, number in enumerate(table.part_numbers)}
    fit = _Fit(table, [(case.submission, index[case.truth]) for case in cases if case.truth is not None], model)
    logs, sds = _fitted(fit, progress)
    found = tuple(Refit(name, math.exp(log), float(sd)) for name, log, sd in zip(FACTORS, logs, sds, strict=True))
    return found, fit.model_at(logs)


def _fitted(fit: _Fit, progress: Callable[[float], None]) -> tuple[Floats, Floats]:
    """(logarithms of the factors, their standard errors), each (factors,)."""
    penalty = np.eye(len(FACTORS)) / PENALTY_SD**2
    start = np.zeros(len(FACTORS))

    def information(logs: Floats) -> Floats:
        scores = fit.scores(logs)
        return np.asarray(scores @ scores.T + penalty)

    # In units of the standard errors at the start the surface is nearly round, and the optimiser's first steps fit it.
    scale = np.linalg.cholesky(np.linalg.inv(information(start)))

    def lost(units: Floats) -> tuple[float, Floats]:
        logs = scale @ units
        value = float(fit.each(logs).sum() - 0.5 * logs @ penalty @ logs)
        progress(value)
        return -value, np.asarray(scale.T @ (penalty @ logs - fit.scores(logs).sum(axis=1)))

    found = minimize(
        lost,
        start,
        jac=True,
        method="L-BFGS-B",
        options={"gtol": _SLOPE_LEFT, "ftol": _GAIN_LEFT, "maxiter": _MOST_ITERATIONS},
    )
    logs = np.clip(scale @ np.asarray(found.x, float), -_FURTHEST, _FURTHEST)
    return logs, np.sqrt(np.diag(np.linalg.inv(information(logs))))
