"""The measuring model: what a tool in a hand does to a true size, and how far a part strays from its nominal.

An entry (one feature, one tool, some repeats) reads

    mean of repeats = truth + tool zero + tilt + one-sided technique + scatter

* the tool's *zero* is one value for each tool of a submission, shared by all its entries (`zero_sd_mm`);
* *tilt* along the shaft reads every width a little large: a normal of small positive mean;
* *technique* is one-sided and exponential: a height reads small, a base circle reads large;
* *scatter* is the hand's, independent for each repeat, plus rounding to the step that was written down.

Every constant is a starting value from practice (common practice, no source) unless a source is named beside it;
`tests/benchmarks` tells how far answers depend on them. Variances are added up in `spread_of_mean` alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from service.domain.catalogue import Tolerance
from service.domain.readings import Experience, Feature, Instrument, Reading, Submission
from service.domain.units import LengthUnit


@dataclass(frozen=True)
class ToolErrors:
    """One tool in a practised hand. Lengths in millimetres; for an angle tool `scatter` and `step` are degrees.

    `zero_sd` is the spread of its zero over tools as they come to hand; `scatter` the standard deviation of one
    reading; `step_inch` and `step_mm` the finest step of its inch and metric versions, both in millimetres;
    `height_small` and `base_large` the means of the one-sided technique errors.
    """

    zero_sd: float
    scatter: float
    step_inch: float
    step_mm: float
    height_small: float = 0.0
    base_large: float = 0.0

    def step(self, unit: LengthUnit) -> float:
        """The tool's finest step when read in `unit`."""
        return self.step_inch if unit is LengthUnit.INCH else self.step_mm


_TOOLS: Mapping[Instrument, ToolErrors] = MappingProxyType(
    {
        Instrument.DIGITAL_CALIPER: ToolErrors(0.010, 0.010, 0.0127, 0.01, 0.010, 0.012),
        Instrument.DIAL_CALIPER: ToolErrors(0.013, 0.014, 0.0254, 0.02, 0.010, 0.012),
        Instrument.VERNIER_CALIPER: ToolErrors(0.014, 0.018, 0.0254, 0.02, 0.012, 0.014),
        Instrument.OUTSIDE_MICROMETER: ToolErrors(0.0035, 0.004, 0.00254, 0.001, 0.006, 0.006),
        Instrument.DIAL_INDICATOR: ToolErrors(0.0, 0.012, 0.0254, 0.01),
        Instrument.BENCH: ToolErrors(0.001, 0.002, 0.00254, 0.001, 0.001, 0.001),
        Instrument.DEGREE_WHEEL: ToolErrors(0.0, 1.5, 1.0, 1.0),
        Instrument.PROTRACTOR: ToolErrors(0.0, 3.0, 1.0, 1.0),
    }
)


@dataclass(frozen=True)
class MeasuringModel:
    """Every constant of the model, in one place; lengths in millimetres, angles in degrees.

    The benchmark makes worlds with other values of these, and its ceiling is the engine told those values.
    """

    tools: Mapping[Instrument, ToolErrors] = field(default_factory=lambda: _TOOLS)
    first_time_factor: float = 1.8
    unknown_experience_factor: float = 1.35
    zero_bad_share: float = 0.08
    """Share of tools whose zero is off by far more than usual (dirt in the jaws, never zeroed)."""
    zero_bad_factor: float = 4.0
    hand_levels: tuple[tuple[float, float], ...] = ((0.85, 0.73), (2.2, 0.22), (6.0, 0.05))
    """(factor on scatter and technique, prior share): nobody's hand is known beforehand, and a few are very rough."""
    fine_hand: tuple[float, float] = (0.3, 0.1)
    """The level and share of a hand that misses next to nothing; it shows only where many lobes were read."""
    wear_levels: tuple[tuple[float, float], ...] = ((0.2, 0.3), (1.8, 0.7))
    """(factor on the mean nose wear, prior share): a shaft's lobes wear alike. With few lobes it hardly matters."""
    many_lobes: int = 3
    """From so many lobes on, what they share (fine hand, shaft's wear) is followed; with fewer each stands alone."""
    tilt_mean: float = 0.002
    tilt_sd: float = 0.002
    indicator_lift_extra: float = 0.008
    """Extra scatter of a lift read by indicator: the plunger is never quite square to the shaft."""
    valve_ratio_sd: float = 0.01
    """Relative spread of a rocker's true ratio about the stated one, shared by a submission's valve lifts."""
    journal_making_sd: float = 0.006
    base_making_sd: float = 0.03
    lift_making_sd: float = 0.0125
    length_making_sd: float = 0.25
    length_scatter: float = 0.08
    separation_making_sd: float = 0.5
    duration_making_sd: float = 1.2
    duration_guess_sd: float = 5.0
    """Spread of a duration worked out from the same lobe's figures at another checking lift, in crank degrees."""
    flank_making_sd: float = 0.02
    """Spread in mm of a part's flank width, beyond its base circle's, about what its lift table says."""
    flank_guess_sd: float = 0.12
    """The same where lift and durations say it: the spread of shapes they leave open (our own sample of lobes)."""
    flank_unknown_sd: float = 0.5
    """The same where no duration is known."""
    included_angle_sd_mm: float = 0.05
    """What an included angle held to two thirds of a degree leaves in the mean of the two widths."""
    one_flank_sd: float = 0.2
    """Added where one flank alone was read: the nose is only guessed, and lobes are not alike on both sides."""
    flank_roll_mean: float = 0.02
    """A shaft not held fast rolls under the jaws, and the width reads small; a mean of the one-sided error, mm."""
    tolerance_sds: float = 4.0
    """A stated tolerance band is this many standard deviations wide."""
    journal_wear_mean: float = 0.008
    nose_wear_mean: float = 0.022
    regrind_prior: float = 0.05
    regrind_undersize_mean: float = 0.55
    regrind_undersize_sd: float = 0.33
    stranger_prior: float = 0.06
    stranger_known_core_share: float = 0.7
    """Of strangers, those on a core we know with a lift we do not sell."""
    stranger_single_pattern_share: float = 0.6
    stranger_lift_spread: float = 0.6
    """Bandwidth in mm of a stranger's lift about the lifts the catalogue sells."""
    stranger_lift_kinds: tuple[tuple[float, float], ...] = ((0.85, 1.0), (0.15, 4.0))
    """(share, factor on that spread): most strangers' lifts are of the catalogue's kind, some far from any of it."""
    stranger_base_sd: float = 0.7
    unexplained_prior: float = 0.001
    family_right: float = 0.93
    """A caller who names an engine family names the right one this often."""
    teeth_right: float = 0.97
    slip_priors: Mapping[str, float] = field(
        default_factory=lambda: MappingProxyType(
            {
                "height_base_swapped": 0.012,
                "lobes_swapped": 0.012,
                "digits_swapped": 0.006,
                "decimal_slipped": 0.003,
                "unit_mistaken": 0.008,
                "valve_lift_as_lobe_lift": 0.03,
                "cam_as_crank_degrees": 0.03,
                "other_checking_lift": 0.04,
                "journal_misread": 0.012,
            }
        )
    )
    """Chance of each slip, a submission for `lobes_swapped` and `unit_mistaken`, an entry or a lobe for the rest."""


DEFAULT_MODEL = MeasuringModel()


_FINEST_MM = 0.0015
"""However often it is read, a mean is no better than this: dust, warmth and the shaft's own roundness see to that."""


@dataclass(frozen=True)
class EntryError:
    """How the mean of one entry's repeats strays from the truth, apart from its tool's zero.

    mean = truth + zero + `bias` + `sign` * Exp(`technique_mean`) + Normal(0, `sd`). Units as the entry's kind:
    millimetres or degrees. `scatter_sd` is one repeat's own spread, `step` the rounding step, `sd` both together
    with the tilt's spread, for the mean.
    """

    bias: float
    sd: float
    sign: int
    technique_mean: float
    zero_sd: float
    scatter_sd: float
    step: float
    repeats: int


def making_sd(tolerance: Tolerance | None, default_sd: float, model: MeasuringModel) -> tuple[float, float]:
    """(shift of the mean, standard deviation) of making, in mm, for a stated tolerance or for none.

    The mean sits in the middle of an asymmetric band.
    """
    if tolerance is None or tolerance.minus_mm + tolerance.plus_mm == 0:
        return 0.0, default_sd
    width = tolerance.minus_mm + tolerance.plus_mm
    return (tolerance.plus_mm - tolerance.minus_mm) / 2, width / model.tolerance_sds


def hand_factor(experience: Experience | None, model: MeasuringModel) -> float:
    """How much wider than a practised hand's this caller's scatter and technique are."""
    if experience is Experience.FIRST_TIME:
        return model.first_time_factor
    return 1.0 if experience is Experience.PRACTISED else model.unknown_experience_factor


def written_step(reading: Reading, instrument: Instrument, unit: LengthUnit, model: MeasuringModel) -> float:
    """The step an entry was rounded to: the tool's, or the digits written where those are coarser (mm or degrees).

    A value that came as a JSON number has lost its trailing zeros, so it is taken to the tool's step.
    """
    tool_step = model.tools[instrument].step(unit)
    decimals = [w.decimals for w in reading.values]
    if any(d is None for d in decimals):
        return tool_step
    digit = 10.0 ** -max(d for d in decimals if d is not None)
    digit_step = digit if reading.feature.is_angle else digit * float(unit.mm)
    # 0.750 in off a tool with a 0.0005 in step is written to 0.001: a step between the two counts as the tool's.
    return max(tool_step, digit_step)


def rounding_variance_of_mean(step: float, scatter_sd: float, repeats: int) -> float:
    """Variance that rounding to `step` leaves in the mean of `repeats` readings of scatter `scatter_sd`.

    One rounding has variance step^2/12 (JCGM 100, F.2.2.1). Repeats share the part of it that depends on where the
    truth lies between two marks: step^2/(2 pi^2) * sum_m exp(-a m^2) / m^2 with a = 4 pi^2 s^2 / step^2, for a normal
    scatter s (the Fourier series of the rounding error, its truth equally likely anywhere between two marks); only
    the rest averages out. With no scatter nothing does, and with a scatter of half a step or more nearly all does.
    """
    if step <= 0:
        return 0.0
    whole = step**2 / 12
    shared = step**2 / (2 * math.pi**2) * _damped_inverse_squares(4 * math.pi**2 * (scatter_sd / step) ** 2)
    return shared + (whole - shared) / repeats


def _damped_inverse_squares(a: float) -> float:
    """The sum over m = 1, 2, ... of exp(-a m^2) / m^2, to double precision.

    For small a it is pi^2/6 - sqrt(pi a) + a/2: the integral of Jacobi's theta function, whose modular transformation
    leaves a remainder of the order of exp(-pi^2 / a), below 1e-17 here. Beyond that the series' terms are below 1e-16
    once a m^2 > 37.
    """
    if a < 0.25:
        return math.pi**2 / 6 - math.sqrt(math.pi * a) + a / 2
    return math.fsum(math.exp(-a * m**2) / m**2 for m in range(1, int(6.1 / math.sqrt(a)) + 2))


def spread_of_mean(
    reading: Reading,
    submission: Submission,
    model: MeasuringModel,
    hand_level: float = 1.0,
    *,
    scatter_sd: float | None = None,
) -> EntryError:
    """The error of the mean of one entry. The one place where variances are added up.

    `hand_level` scales the hand's scatter and technique (see `MeasuringModel.hand_levels`). `scatter_sd`, one repeat's
    own spread, takes the place of the model's where repeats have shown another.
    """
    instrument = submission.instrument_of(reading)
    tool = model.tools[instrument]
    feature = reading.feature
    n = len(reading.values)
    hand = hand_factor(submission.experience, model) * hand_level
    scatter = tool.scatter * hand if scatter_sd is None else scatter_sd
    step = written_step(reading, instrument, submission.unit, model)
    bias, extra_variance, sign, technique, zero = 0.0, 0.0, 0, 0.0, tool.zero_sd
    if feature in (Feature.JOURNAL_DIAMETER, Feature.LOBE_HEIGHT, Feature.BASE_CIRCLE, Feature.FLANK_WIDTH):
        bias, extra_variance = model.tilt_mean, model.tilt_sd**2
    if feature is Feature.LOBE_HEIGHT:
        sign, technique = -1, tool.height_small * hand
    elif feature is Feature.BASE_CIRCLE:
        sign, technique = +1, tool.base_large * hand
    elif feature is Feature.FLANK_WIDTH:
        sign, technique = -1, model.flank_roll_mean * hand
    elif feature in (Feature.LOBE_LIFT, Feature.VALVE_LIFT):
        # a difference of two readings of one tool: its zero cancels, its scatter counts twice
        zero = 0.0
        if instrument is Instrument.DIAL_INDICATOR:
            extra_variance = (model.indicator_lift_extra * hand) ** 2
        else:
            extra_variance = scatter**2 / n
            sign, technique = -1, (tool.height_small + tool.base_large) * hand
    elif feature is Feature.OVERALL_LENGTH:
        extra_variance = (model.length_scatter * hand) ** 2
    variance = scatter**2 / n + rounding_variance_of_mean(step, scatter, n) + extra_variance
    finest = 0.0 if feature.is_angle else _FINEST_MM
    return EntryError(bias, max(math.sqrt(variance), finest), sign, technique, zero, scatter, step, n)
