"""Several entries of one submission put together into one quantity, with its uncertainty after JCGM 100.

The quantity is a sum over groups, `coefficient` times a truth, each truth read by one or more inputs. Inputs of one
truth are weighted by least squares, in which the zero of a tool is common to everything it read; so a tool's zero
cancels of itself in a difference, and a better tool counts for more. The errors are those of the measuring model at
each level of care that the repeats allow; the whole is an `ErrorMixture`, whose quantiles give the interval.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.domain.arrays import Floats
from service.domain.identification import BudgetComponent
from service.domain.readings import Feature, Instrument, Reading, Submission
from service.identification.measuring.error_mixture import Branch, ErrorMixture
from service.identification.measuring.model import EntryError, MeasuringModel, rounding_variance_of_mean
from service.identification.measuring.repeated_hand import SeenHand, seen_error, seen_hands
from service.identification.measuring.tool_zero import ToolZero, entry_mean, zeros_left

COVERAGE = 0.95
"""How often an interval is to hold the true value."""

CARE = "how careful the hand is, in all its readings alike"
ZERO_CANCELS = "zero of the tool (cancels: one tool for both)"
ZEROS_DIFFER = "zeros of the tools (two tools, so they do not cancel)"
_NO_ZERO = 1e-9  # of a coefficient that least squares has brought to nothing


@dataclass(frozen=True)
class Case:
    """A submission, the model it is judged by, and what its repeats tell of the hand, worked out once."""

    submission: Submission
    model: MeasuringModel
    hands: tuple[SeenHand, ...]

    @classmethod
    def of(cls, submission: Submission, model: MeasuringModel) -> Case:
        """The case of `submission` under `model`."""
        return cls(submission, model, seen_hands(submission, model))


@dataclass(frozen=True)
class Input:
    """One entry as a reading of its group's truth: truth = `scale` * entry + `offset` (mm or degrees)."""

    reading: Reading
    scale: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True)
class Group:
    """One truth of the sum: its `coefficient`, what the trade calls it, and the inputs that read it."""

    coefficient: float
    name: str
    inputs: tuple[Input, ...]


@dataclass(frozen=True)
class Combined:
    """The quantity put together; `corrected`, `standard_uncertainty` and `interval` as in `Derived`."""

    corrected: float
    standard_uncertainty: float
    interval: tuple[float, float]
    budget: tuple[BudgetComponent, ...]


def combined_standard_uncertainty(shares: Sequence[float]) -> float:
    """The root of the sum of squares of independent shares |c_i| u_i (JCGM 100, equation 11a)."""
    return math.sqrt(math.fsum(share**2 for share in shares))


def combine(
    groups: Sequence[Group],
    case: Case,
    *,
    constant: float = 0.0,
    others: Sequence[BudgetComponent] = (),
) -> Combined:
    """The sum of `groups` and `constant`, with `others` as further independent normal errors.

    The interval holds the true value `COVERAGE` of the time and leaves as much out on either side (probabilistically
    symmetric, JCGM 101, 3.15); it is lopsided about `corrected` where the one-sided errors are.
    """
    placed = [(row, inp) for row, group in enumerate(groups) for inp in group.inputs]
    submission, model, hands = case.submission, case.model, case.hands
    errors = [[seen_error(inp.reading, submission, model, hand.level) for _, inp in placed] for hand in hands]
    used = {submission.instrument_of(inp.reading) for _, inp in placed}
    zeros = [zeros_left(used, submission, model, hand.level) for hand in hands]
    weights = _weights(groups, placed, submission, hands, errors, zeros)

    centre = constant + sum(
        w * (entry_mean(i.reading, submission) * i.scale + i.offset) for w, (_, i) in zip(weights, placed, strict=True)
    )
    per_entry = [float(w) * inp.scale for w, (_, inp) in zip(weights, placed, strict=True)]
    tools = _tool_coefficients(per_entry, placed, submission, errors[0])
    branches: list[Branch] = []
    variances: dict[str, float] = defaultdict(float)
    for hand, at_level, zeros_at_level in zip(hands, errors, zeros, strict=True):
        shares = _shares(groups, placed, per_entry, at_level, submission)
        for tool, coefficient in tools.items():
            shares[ZEROS_DIFFER] += coefficient**2 * zeros_at_level[tool].variance
        for name, variance in shares.items():
            variances[name] += hand.weight * variance
        branches.extend(_branches(hand, at_level, zeros_at_level, per_entry, tools, others))
    error = ErrorMixture(tuple(branches))
    if not tools and any(e.zero_sd > 0 for e in errors[0]):
        variances[ZERO_CANCELS] = 0.0
    for other in others:
        variances[other.component] += other.standard_uncertainty**2
    between_levels = error.sd**2 - math.fsum(variances.values())
    if between_levels > 1e-9 * error.sd**2:
        variances[CARE] = between_levels
    tail = (1 - COVERAGE) / 2
    return Combined(
        corrected=float(centre) + error.mean,
        standard_uncertainty=error.sd,
        interval=(float(centre) + error.quantile(tail), float(centre) + error.quantile(1 - tail)),
        budget=tuple(BudgetComponent(name, math.sqrt(v)) for name, v in variances.items()),
    )


def _weights(
    groups: Sequence[Group],
    placed: Sequence[tuple[int, Input]],
    submission: Submission,
    hands: Sequence[SeenHand],
    errors: Sequence[Sequence[EntryError]],
    zeros: Sequence[Mapping[Instrument, ToolZero]],
) -> Floats:
    """The weight of each input in the sum: c' (X' V^-1 X)^-1 X' V^-1 (generalised least squares)."""
    size = len(placed)
    design = np.zeros((size, len(groups)))
    covariance = np.zeros((size, size))
    for i, (row, inp) in enumerate(placed):
        design[i, row] = 1.0
        for hand, at_level, zeros_at_level in zip(hands, errors, zeros, strict=True):
            error = at_level[i]
            covariance[i, i] += hand.weight * inp.scale**2 * (error.sd**2 + error.technique_mean**2)
            tool = submission.instrument_of(inp.reading)
            for j, (_, other) in enumerate(placed):
                shared = (
                    submission.instrument_of(other.reading) is tool and error.zero_sd > 0 and at_level[j].zero_sd > 0
                )
                if shared:
                    covariance[i, j] += hand.weight * inp.scale * other.scale * zeros_at_level[tool].variance
    solved = np.linalg.solve(covariance, design)
    coefficients = np.array([group.coefficient for group in groups])
    return np.asarray(solved @ np.linalg.solve(design.T @ solved, coefficients))


def _tool_coefficients(
    per_entry: Sequence[float],
    placed: Sequence[tuple[int, Input]],
    submission: Submission,
    errors: Sequence[EntryError],
) -> dict[Instrument, float]:
    """How much of each tool's zero is left in the sum; a tool whose zero cancels is not in it."""
    left: dict[Instrument, float] = defaultdict(float)
    for coefficient, (_, inp), error in zip(per_entry, placed, errors, strict=True):
        if error.zero_sd > 0:
            left[submission.instrument_of(inp.reading)] += coefficient
    return {tool: coefficient for tool, coefficient in left.items() if abs(coefficient) > _NO_ZERO}


def _shares(
    groups: Sequence[Group],
    placed: Sequence[tuple[int, Input]],
    per_entry: Sequence[float],
    errors: Sequence[EntryError],
    submission: Submission,
) -> dict[str, float]:
    """Variance of each named component at one level of care; what makes up `EntryError.sd` is told apart again."""
    shares: dict[str, float] = defaultdict(float)
    for coefficient, (row, inp), error in zip(per_entry, placed, errors, strict=True):
        name = groups[row].name
        scatter = error.scatter_sd**2 / error.repeats
        rounding = rounding_variance_of_mean(error.step, error.scatter_sd, error.repeats)
        rest = max(0.0, error.sd**2 - scatter - rounding)
        shares[f"scatter of the {name}"] += coefficient**2 * scatter
        shares[f"rounding of the {name}"] += coefficient**2 * rounding
        if rest > 1e-12 * error.sd**2:
            shares[_rest_name(inp.reading.feature, submission.instrument_of(inp.reading))] += coefficient**2 * rest
        if error.technique_mean > 0:
            shares[_TECHNIQUE[inp.reading.feature]] += (coefficient * error.technique_mean) ** 2
    return shares


_TECHNIQUE = {
    Feature.LOBE_HEIGHT: "jaws not square to the nose",
    Feature.BASE_CIRCLE: "jaws on the flank",
    Feature.LOBE_LIFT: "jaws not square to the nose, or on the flank",
    Feature.VALVE_LIFT: "jaws not square to the nose, or on the flank",
}


def _rest_name(feature: Feature, instrument: Instrument) -> str:
    """What the trade calls the part of an entry's error that is neither scatter nor rounding."""
    if feature not in (Feature.LOBE_LIFT, Feature.VALVE_LIFT):
        return "tilt along the shaft"
    return "plunger not in line" if instrument is Instrument.DIAL_INDICATOR else "scatter of the second of two widths"


def _branches(
    hand: SeenHand,
    errors: Sequence[EntryError],
    zeros: Mapping[Instrument, ToolZero],
    per_entry: Sequence[float],
    tools: Mapping[Instrument, float],
    others: Sequence[BudgetComponent],
) -> list[Branch]:
    """How far the truth may lie from the sum as read, at one level of care: a branch for each state of the zeros."""
    shift = -math.fsum(c * e.bias for c, e in zip(per_entry, errors, strict=True))
    tails = tuple(
        -c * e.sign * e.technique_mean for c, e in zip(per_entry, errors, strict=True) if e.technique_mean > 0
    )
    normal = [c * e.sd for c, e in zip(per_entry, errors, strict=True)] + [o.standard_uncertainty for o in others]
    branches = []
    for states in itertools.product(*(zeros[tool].states for tool in tools)):
        weight = hand.weight * math.prod(w for w, _, _ in states)
        moved = shift - math.fsum(c * m for c, (_, m, _) in zip(tools.values(), states, strict=True))
        sd = combined_standard_uncertainty(
            [*normal, *(c * s for c, (_, _, s) in zip(tools.values(), states, strict=True))]
        )
        branches.append(Branch(weight, moved, sd, tails))
    return branches
