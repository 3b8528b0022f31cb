"""Learning from confirmed cases: refits how this desk's callers and their tools err, from shafts whose part came out.

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
these, beside the old constants' on the same cases.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from scipy.optimize import minimize

from service.domain.errors import InvalidInput
from service.domain.readings import Feature, Instrument, Submission
from service.identification.densities import log_sum_exp
from service.identification.marks import MarkedEntries, wild_log_density
from service.identification.measuring import MeasuringModel
from service.identification.posterior import log_evidence, weigh
from service.identification.table import CatalogueTable, Floats, Ints

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


@dataclass(frozen=True)
class Calibration:
    """The refitted factors and model, and the mean log score (nats, less is better) of both on the held-out cases.

    `gain` is the mean of old less new score, case by case, and `gain_sd` its standard error.
    """

    factors: tuple[Refit, ...]
    model: MeasuringModel
    fitted: int
    held_out: int
    score_before: float
    score_after: float
    gain: float
    gain_sd: float


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
    progress: Callable[[float], None] = lambda _: None,
) -> Calibration:
    """Refit `model` to `cases`, of which every third is held out. `table` is built with the same making spreads.

    The new constants are compared with those of `before`, `model` unless it is given.

    A shaft that is nobody's part tells nothing of the factors, and serves only to score. `progress` is told the
    penalised log-likelihood as it goes. Deterministic. Raises `InvalidInput` with fewer than `FEWEST_CASES` cases whose
    part is known, and KeyError for a part that the table does not have.
    """
    index = {number: i for i, number in enumerate(table.part_numbers)}
    known = sum(case.truth is not None for case in cases)
    if known < FEWEST_CASES:
        detail = f"{known} confirmed cases name a part of this catalogue; a fit needs {FEWEST_CASES}."
        raise InvalidInput(detail)
    held = list(cases[HELD_OUT - 1 :: HELD_OUT])
    rest = [case for i, case in enumerate(cases) if i % HELD_OUT != HELD_OUT - 1]
    fit = _Fit(table, [(case.submission, index[case.truth]) for case in rest if case.truth is not None], model)
    logs, sds = _fitted(fit, progress)
    refitted = fit.model_at(logs)
    lost_before = losses_of(table, held, before or model)
    lost_after = losses_of(table, held, refitted)
    gain = lost_before - lost_after
    return Calibration(
        factors=tuple(Refit(name, math.exp(log), float(sd)) for name, log, sd in zip(FACTORS, logs, sds, strict=True)),
        model=refitted,
        fitted=sum(case.truth is not None for case in rest),
        held_out=len(held),
        score_before=float(lost_before.mean()),
        score_after=float(lost_after.mean()),
        gain=float(gain.mean()),
        gain_sd=float(gain.std(ddof=1) / math.sqrt(gain.size)),
    )


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
