"""Repeats as they are written: marks of a scale, each the nearest to where the hand had put the tool.

On a coarse scale repeats fall on one mark though the hand is unsteady, and a density of their spread about their mean,
which is enough to weigh parts by, would take that for a hand without any scatter. Here their chance is reckoned as it
is: n repeats v_i on marks a step apart, of a scatter s about a place u that may lie anywhere, have

    integral du / step  prod_i [ Phi((v_i + step/2 - u) / s) - Phi((v_i - step/2 - u) / s) ]

(the likelihood of grouped data: W. F. Sheppard's setting of 1898; D. F. Heitjan, Inference from Grouped Continuous
Data, Statistical Science 4 (1989) 164).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.special import log_ndtr

from service.domain.arrays import Floats
from service.domain.readings import Feature, Instrument, Reading, Submission
from service.identification.catalogue_table.rows import nonsense_row
from service.identification.catalogue_table.table import CatalogueTable
from service.identification.entries.entries import Entry
from service.identification.entries.entry_source import EntrySource
from service.identification.entries.slips import Hypothesis
from service.identification.likelihood.likelihood import log_likelihood
from service.identification.measuring.model import MeasuringModel, spread_of_mean, written_step
from service.identification.numerics.densities import log_sum_exp

_REACH = 7.0
_POINTS_A_WIDTH = 3.0
_FINEST_OF_STEP = 0.02
_MOST_POINTS = 4000


def log_chance_of_marks(values: Floats, scatter: float, step: float) -> float:
    """Log-chance of `values` (n,) on marks `step` apart, of `scatter` about a place that may be anywhere."""
    if values.size < 2:
        return 0.0
    scatter = max(scatter, _FINEST_OF_STEP * step)
    around = step / 2 + _REACH * scatter
    low, high = float(values.min()) - around, float(values.max()) + around
    count = min(_MOST_POINTS, int((high - low) / min(scatter, step) * _POINTS_A_WIDTH) + 2)
    places = np.linspace(low, high, count)
    to_end = (values[:, None] + step / 2 - places) / scatter
    to_start = (values[:, None] - step / 2 - places) / scatter
    # by symmetry reckoned in the lower tail, where small chances keep their digits
    upper = to_start > 0
    above = log_ndtr(np.where(upper, -to_start, to_end))
    below = log_ndtr(np.where(upper, -to_end, to_start))
    with np.errstate(divide="ignore"):
        log_each = above + np.log(-np.expm1(np.minimum(below - above, -1e-300)))
    total = log_sum_exp(log_each.sum(axis=0)[None], axis=1)[0]
    return float(total + np.log((places[1] - places[0]) / step))


class MarkedEntries:
    """An `EntrySource` whose entries' repeats weigh by their chance as marks."""

    def __init__(self, submission: Submission, model: MeasuringModel, families: frozenset[str]) -> None:
        self._source = EntrySource(submission, model, families)
        self._submission = submission
        self._other_unit = replace(submission, unit=submission.unit.other)
        self._model = model
        self._marked: dict[int, tuple[Entry, Entry]] = {}

    def of(self, hypothesis: Hypothesis, level: float) -> tuple[Entry, ...]:
        """The entries as they were meant under `hypothesis`, read by a hand of `level`."""
        return tuple(self._with_marks(e, hypothesis, level) for e in self._source.of(hypothesis, level))

    def _with_marks(self, e: Entry, hypothesis: Hypothesis, level: float) -> Entry:
        if not e.pointer.startswith("/readings/"):
            return e
        if id(e) not in self._marked:
            i = int(e.pointer.rsplit("/", 1)[1])
            meant = hypothesis.changed.get(i)
            reading = meant or self._submission.readings[i]
            submission = self._other_unit if hypothesis.other_unit and meant is None else self._submission
            own = _log_repeats(reading, submission, self._model, level)
            # the entry is kept beside its copy, so that no other takes its identity
            self._marked[id(e)] = (e, replace(e, own_log=own))
        return self._marked[id(e)][1]


def wild_log_density(table: CatalogueTable, submission: Submission, model: MeasuringModel) -> float:
    """Log-density of readings that mean nothing, their repeats as far from each other as from anything."""
    entries = []
    for e in EntrySource(submission, model, table.families).of(Hypothesis(None, "", 0.0), 1.0):
        own = 0.0
        if e.pointer.startswith("/readings/"):
            reading = submission.readings[int(e.pointer.rsplit("/", 1)[1])]
            step = written_step(reading, submission.instrument_of(reading), submission.unit, model)
            wide = 90.0 if reading.feature.is_angle else max(abs(e.mean) / 2, 1.0)
            own = log_chance_of_marks(_about_mean(reading, submission), wide, step)
        entries.append(replace(e, own_log=own))
    return float(log_likelihood(table, nonsense_row(model), [entries], model, 1.0)[0, 0])


def _about_mean(reading: Reading, submission: Submission) -> Floats:
    """The repeats less their mean, (n,) in mm or degrees."""
    unit = 1.0 if reading.feature.is_angle else float(submission.unit.mm)
    return np.array([float(w.value - reading.mean) * unit for w in reading.values])


def _log_repeats(reading: Reading, submission: Submission, model: MeasuringModel, level: float) -> float:
    error = spread_of_mean(reading, submission, model, level)
    values = _about_mean(reading, submission)
    lift = reading.feature in (Feature.LOBE_LIFT, Feature.VALVE_LIFT)
    difference = lift and submission.instrument_of(reading) is not Instrument.DIAL_INDICATOR
    return log_chance_of_marks(values, error.scatter_sd * (math.sqrt(2) if difference else 1.0), error.step)
