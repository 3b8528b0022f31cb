"""What is known of each tool's zero once the submission's zero checks are counted in."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from service.domain.readings import Feature, Instrument, Reading, Submission
from service.identification.measuring.model import MeasuringModel
from service.identification.measuring.repeated_hand import seen_error


@dataclass(frozen=True)
class ToolZero:
    """What is left of one tool's zero after its zero checks: states of (weight, mean, sd)."""

    states: tuple[tuple[float, float, float], ...]

    @property
    def mean(self) -> float:
        """Mean over the states."""
        return math.fsum(w * m for w, m, _ in self.states)

    @property
    def variance(self) -> float:
        """Variance over the states, that between them included."""
        return math.fsum(w * (sd**2 + (m - self.mean) ** 2) for w, m, sd in self.states)


def zeros_left(
    tools: Iterable[Instrument], submission: Submission, model: MeasuringModel, level: float
) -> Mapping[Instrument, ToolZero]:
    """The zero of each of `tools`: usual or bad by the model's shares, narrowed by the zero checks written down."""
    checks: dict[Instrument, list[tuple[float, float]]] = defaultdict(list)
    for reading in submission.readings:
        if reading.feature is Feature.ZERO_CHECK:
            reference = submission.unit.to_mm(reading.reference or 0)
            error = seen_error(reading, submission, model, level)
            checks[submission.instrument_of(reading)].append((entry_mean(reading, submission) - reference, error.sd))
    return {tool: _narrowed(model.tools[tool].zero_sd, checks[tool], model) for tool in tools}


def _narrowed(zero_sd: float, checks: Sequence[tuple[float, float]], model: MeasuringModel) -> ToolZero:
    """A zero of prior spread `zero_sd` after `checks`, each (zero as seen, its standard deviation): normal algebra."""
    if zero_sd <= 0:
        return ToolZero(((1.0, 0.0, 0.0),))
    states = []
    usual_and_bad = ((1 - model.zero_bad_share, zero_sd), (model.zero_bad_share, zero_sd * model.zero_bad_factor))
    for share, sd in usual_and_bad:
        if share == 0:
            continue
        log_weight, mean, variance = math.log(share), 0.0, sd**2
        for seen, check_sd in checks:
            total = variance + check_sd**2
            log_weight -= 0.5 * (math.log(total) + (seen - mean) ** 2 / total)
            mean, variance = mean + variance / total * (seen - mean), variance * check_sd**2 / total
        states.append((log_weight, mean, math.sqrt(variance)))
    top = max(log_weight for log_weight, _, _ in states)
    whole = math.fsum(math.exp(log_weight - top) for log_weight, _, _ in states)
    return ToolZero(tuple((math.exp(log_weight - top) / whole, mean, sd) for log_weight, mean, sd in states))


def entry_mean(reading: Reading, submission: Submission) -> float:
    """An entry's mean in millimetres or degrees."""
    return float(reading.mean) if reading.feature.is_angle else submission.unit.to_mm(reading.mean)
