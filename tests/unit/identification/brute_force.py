"""The stated model (`service/identification/likelihood/likelihood.py`), integrated numerically by the shortest road.

Written apart from the engine and sharing none of its code: it reads constants from `MeasuringModel`, and everything
else is worked out here by dense sums over every unknown: one shaft's hand, slip, tool zeros, undersize, rocker error,
and each lobe's base circle and lift. Slow, and only for small catalogues and few readings.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from service.domain.catalogue import Tolerance
from service.domain.readings import Experience, Feature, Instrument, Reading, Submission
from service.identification.measuring.model import MeasuringModel

Floats = NDArray[np.float64]

LOBE_WIDTHS = (Feature.LOBE_HEIGHT, Feature.BASE_CIRCLE)
WIDTHS = (Feature.JOURNAL_DIAMETER, *LOBE_WIDTHS)


# -- densities ------------------------------------------------------------------------------------------------------


def normal(x: Floats, sd: float) -> Floats:
    """Density of Normal(0, sd)."""
    return np.exp(-0.5 * (x / sd) ** 2) / (sd * math.sqrt(2 * math.pi))


def skewed(x: Floats, sd: float, tail: float, sign: int) -> Floats:
    """Density of Normal(0, sd) + sign Exp(tail), by scipy's own exponnorm where it behaves."""
    if tail <= 1e-3 * sd:
        return normal(x - sign * tail, sd)
    return stats.exponnorm.pdf(sign * x, tail / sd, 0, sd)


@dataclass(frozen=True, eq=False)
class Noise:
    """How one entry strays: value = truth + zero of `tool` + sign Exp(tail) + Normal(0, sd). mm; bias taken out."""

    reading: Reading
    value: float
    sd: float
    tail: float
    sign: int
    tool: Instrument | None
    spread: float
    """Log-density of the repeats about their mean."""
    ratio_error: float = 0.0
    """What a unit of relative error in the rocker ratio does to the value."""

    def density(self, truth: Floats, zero: float | Floats = 0.0) -> Floats:
        """Of the value, given the truth and the tool's zero."""
        return skewed(self.value - truth - zero, self.sd, self.tail, self.sign)


def rounding_variance(step: float, scatter: float, repeats: int) -> float:
    """Variance of the mean of n rounding errors: n independent scatters about one truth lying anywhere in a step.

    Given the truth's place u the errors are independent, so it is E[m(u)^2] + (E[e^2] - E[m(u)^2]) / n with m(u) the
    mean error at u: a sum over marks and over midpoints.
    """
    if repeats == 1:
        return step**2 / 12
    marks = np.arange(-math.ceil(8 * scatter / step) - 1, math.ceil(8 * scatter / step) + 2) * step
    place = (np.arange(200) + 0.5) / 200 * step - step / 2
    error = (np.arange(200) + 0.5) / 200 * step - step / 2
    # truth at `place` and scatter together lie `error` beyond one of the marks
    likely = normal(marks[:, None, None] + error[None, :, None] - place[None, None, :], scatter).sum(axis=0)
    mean_error = (error[:, None] * likely).sum(axis=0) * step / 200
    shared = float((mean_error**2).mean())
    return shared + (step**2 / 12 - shared) / repeats


def noise_of(reading: Reading, submission: Submission, model: MeasuringModel, level: float) -> Noise:
    """One entry's errors for a hand of `level`, from the constants of the model."""
    unit = float(submission.unit.mm)
    tool = submission.instrument_of(reading)
    tool_errors = model.tools[tool]
    hand = (
        level
        * {
            Experience.FIRST_TIME: model.first_time_factor,
            Experience.PRACTISED: 1.0,
            None: model.unknown_experience_factor,
        }[submission.experience]
    )
    values = [float(w.value) * unit for w in reading.values]
    n = len(values)
    scatter = tool_errors.scatter * hand
    step = tool_errors.step_inch if unit > 1 else tool_errors.step_mm
    shown = [w.decimals for w in reading.values]
    if None not in shown:
        step = max(step, 10.0 ** -max(d for d in shown if d is not None) * unit)
    variance = scatter**2 / n + rounding_variance(step, scatter, n)
    value = float(np.mean(values))
    tail, sign, zero_tool = 0.0, 1, tool if tool_errors.zero_sd > 0 else None
    if reading.feature in WIDTHS:
        value -= model.tilt_mean
        variance += model.tilt_sd**2
    if reading.feature is Feature.LOBE_HEIGHT:
        tail, sign = tool_errors.height_small * hand, -1
    elif reading.feature is Feature.BASE_CIRCLE:
        tail, sign = tool_errors.base_large * hand, 1
    elif reading.feature in (Feature.LOBE_LIFT, Feature.VALVE_LIFT):
        zero_tool = None
        if tool is Instrument.DIAL_INDICATOR:
            variance += (model.indicator_lift_extra * hand) ** 2
        else:
            variance += scatter**2 / n
            tail, sign = (tool_errors.height_small + tool_errors.base_large) * hand, -1
    elif reading.feature is Feature.ZERO_CHECK:
        value -= float(reading.reference or 0) * unit
    spread = 0.0
    if n > 1:
        one = math.sqrt(scatter**2 + step**2 / 12)
        away = sum(((x - float(np.mean(values))) / one) ** 2 for x in values)
        spread = -away / 2 - (n - 1) * math.log(one * math.sqrt(2 * math.pi))
    ratio_error = 0.0
    sd = math.sqrt(variance)
    if reading.feature is Feature.VALVE_LIFT:
        ratio = float(reading.rocker_ratio or 1)
        value = (value + float(reading.lash or 0) * unit) / ratio
        sd, tail, ratio_error = sd / ratio, tail / ratio, value
    return Noise(reading, value, sd, tail, sign, zero_tool, spread, ratio_error)


# -- truths ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class LobeTruth:
    """B = base + base_sd N - U and L = lift + lift_sd N - Exp(wear)."""

    base: float
    base_sd: float
    lift: float
    lift_sd: float


@dataclass(frozen=True)
class ShaftTruth:
    """What a hypothesis says of a shaft. `undersize` is the density of U at an array of values, None for no U."""

    lobes: Mapping[object, LobeTruth]
    journals: Mapping[object, tuple[float, float]]
    undersize: Callable[[Floats], Floats] | None
    undersize_range: tuple[float, float] = (0.0, 0.0)


def made(nominal: float, tolerance: Tolerance | None, usual_sd: float, model: MeasuringModel) -> tuple[float, float]:
    """(mean, sd) of a made size; the mean in the middle of a stated band."""
    if tolerance is None:
        return nominal, usual_sd
    low, high = nominal - tolerance.minus_mm, nominal + tolerance.plus_mm
    return (low + high) / 2, (high - low) / model.tolerance_sds


def zero_density(zero: Floats, sd: float, model: MeasuringModel) -> Floats:
    """Of a tool's zero: mostly well kept, sometimes far off."""
    bad = model.zero_bad_share
    return (1 - bad) * normal(zero, sd) + bad * normal(zero, sd * model.zero_bad_factor)


def _window(entries: Sequence[Noise]) -> tuple[float, float]:
    """Where truth + zero may lie by the entries: beyond, their product is below 1e-11 of its greatest."""
    low, high = -np.inf, np.inf
    for e in entries:
        up, down = 7 * e.sd, 7 * e.sd
        if e.sign > 0:
            up += 25 * e.tail
        else:
            down += 25 * e.tail
        low, high = max(low, e.value - up), min(high, e.value + down)
    return low, high


def _product(entries: Sequence[Noise], truth: Floats) -> Floats:
    return np.prod([e.density(truth) for e in entries], axis=0) if entries else np.ones_like(truth)


def lobe_density(truth: LobeTruth, entries: Sequence[Noise], shift: Floats, wear: float, step: float) -> Floats:
    """Of everything read on one lobe, given s = zero - undersize on a uniform grid `shift` of `step`.

    With x = B + s' the base circle as the tool shows it: the sum over x and over L of their densities and the
    entries' own.
    """
    of = {f: [e for e in entries if e.reading.feature is f] for f in (Feature.BASE_CIRCLE, Feature.LOBE_HEIGHT)}
    bases, heights = of[Feature.BASE_CIRCLE], of[Feature.LOBE_HEIGHT]
    lifts = [e for e in entries if e not in bases and e not in heights]
    lift_low, lift_high = truth.lift - 7 * truth.lift_sd - 25 * wear, truth.lift + 7 * truth.lift_sd
    if lifts:
        low, high = _window(lifts)
        lift_low, lift_high = max(lift_low, low), min(lift_high, high)
    x_low, x_high = truth.base - 7 * truth.base_sd + shift[0], truth.base + 7 * truth.base_sd + shift[-1]
    if bases:
        low, high = _window(bases)
        x_low, x_high = max(x_low, low), min(x_high, high)
    if heights:
        low, high = _window(heights)
        x_low, x_high = max(x_low, low - lift_high), min(x_high, high - lift_low)
        lift_low, lift_high = max(lift_low, low - x_high), min(lift_high, high - x_low)
    if x_low >= x_high or lift_low >= lift_high:
        return np.zeros_like(shift)
    lift = np.arange(lift_low, lift_high + step, step)
    of_lift = skewed(lift - truth.lift, truth.lift_sd, wear, -1) * _product(lifts, lift)
    if not bases and not heights:
        return np.full_like(shift, of_lift.sum() * step)
    x = np.arange(x_low, x_high + step, step)
    carried = _over_lift(heights, x, lift, of_lift, step)
    carried *= _product(bases, x)
    placed = normal(x[None, :] - shift[:, None] - truth.base, truth.base_sd)
    return placed @ carried * step


def _over_lift(heights: Sequence[Noise], base: Floats, lift: Floats, of_lift: Floats, step: float) -> Floats:
    """For each base circle: the sum over lifts of their density and that of the heights read of B + L.

    Both grids are of one `step`, so B + L takes each of its values on one grid, too.
    """
    of_height = _product(heights, base[0] + lift[0] + np.arange(base.size + lift.size - 1) * step)
    return np.array([of_height[i : i + lift.size] @ of_lift for i in range(base.size)]) * step


class Integrator:
    """The density of one set of length entries under any hypothesis of the shaft, over every shared unknown."""

    def __init__(self, entries: Sequence[Noise], model: MeasuringModel, used: bool, lift_sd: float) -> None:
        self.model = model
        self.nose_wear = model.nose_wear_mean if used else 0.0
        self.journal_wear = model.journal_wear_mean if used else 0.0
        self.step = min([e.sd for e in entries] + [lift_sd]) / 1.8
        self.spread = math.exp(sum(e.spread for e in entries))
        tools = sorted({e.tool for e in entries if e.tool is not None}, key=lambda t: -model.tools[t].zero_sd)
        self.main = tools[0] if tools else None
        self.zeros, self.zero_weight = np.zeros(1), np.ones(1)
        if self.main is not None:
            sd = model.tools[self.main].zero_sd
            half = math.ceil(6 * sd * model.zero_bad_factor / self.step)
            self.zeros = np.arange(-half, half + 1) * self.step
            self.zero_weight = zero_density(self.zeros, sd, model) * self.step
        self.settings = list(self._settings(entries, tools[1:]))
        self._journals: dict[tuple[object, ...], Floats] = {}
        self._lifts: dict[tuple[object, ...], Floats] = {}

    def _settings(
        self, entries: Sequence[Noise], other_tools: Sequence[Instrument]
    ) -> Iterator[tuple[float, dict[tuple[object, ...], list[Noise]]]]:
        """(weight, entries by what they are of) at every node of the other tools' zeros and of the rocker's error."""
        model = self.model
        nodes: list[list[tuple[object, float, float]]] = [
            [(tool, z, w) for z, w in _mixture_nodes(model.tools[tool].zero_sd, model)] for tool in other_tools
        ]
        if any(e.ratio_error for e in entries):
            # the lifts are far sharper than the ratio's spread: many nodes, evenly spaced
            off = np.linspace(-5, 5, 51) * model.valve_ratio_sd
            chance = normal(off, model.valve_ratio_sd)
            nodes.append([("ratio", z, w) for z, w in zip(off.tolist(), (chance / chance.sum()).tolist(), strict=True)])
        for combination in itertools.product(*nodes):
            at = {name: value for name, value, _ in combination}
            groups: dict[tuple[object, ...], list[Noise]] = {}
            for e in entries:
                off = e.ratio_error * at.get("ratio", 0.0) + at.get(e.tool, 0.0)
                groups.setdefault(_of_what(e), []).append(replace(e, value=e.value - off))
            yield math.prod(w for _, _, w in combination), groups

    def density(self, truth: ShaftTruth) -> float:
        """Of everything read, were the shaft so."""
        total = 0.0
        known: dict[tuple[object, ...], Floats] = {}
        for number, (weight, groups) in enumerate(self.settings):
            total += weight * self._over_zero(truth, groups, number, known)
        return total * self.spread

    def _undersizes(
        self, truth: ShaftTruth, groups: Mapping[tuple[object, ...], Sequence[Noise]]
    ) -> tuple[Floats, Floats]:
        """A grid over U, no wider than base circles and heights allow, and its weights."""
        widths = [e for group in groups.values() for e in group if e.reading.feature in LOBE_WIDTHS]
        if truth.undersize is None or not widths:
            return np.zeros(1), np.ones(1)
        low, high = truth.undersize_range
        for key, group in groups.items():
            if key[0] == "lobe":
                lobe = truth.lobes[key[1]]
                for e in group:
                    if e.reading.feature is Feature.BASE_CIRCLE:
                        x_low, x_high = _window([e])
                        low = max(low, lobe.base - 7 * lobe.base_sd - x_high + self.zeros[0])
                        high = min(high, lobe.base + 7 * lobe.base_sd - x_low + self.zeros[-1])
        first, last = math.floor(low / self.step), math.ceil(high / self.step)
        if last <= first:
            return np.zeros(1), np.zeros(1)
        values = np.arange(first, last + 1) * self.step
        return values, truth.undersize(values) * self.step

    def _over_zero(
        self,
        truth: ShaftTruth,
        groups: Mapping[tuple[object, ...], Sequence[Noise]],
        number: int,
        known: dict[tuple[object, ...], Floats],
    ) -> float:
        """The double sum over the main tool's zero and the undersize. `known` keeps lobes met at an earlier node."""
        undersize, undersize_weight = self._undersizes(truth, groups)
        of_zero = self.zero_weight.copy()
        joint = np.ones((self.zeros.size, undersize.size))
        for key, group in groups.items():
            if key[0] == "zero":
                for e in group:
                    of_zero *= normal(e.value - (self.zeros if e.tool is self.main else 0.0), e.sd)
            elif key[0] == "journal":
                of_zero *= self._journal(number, key[1], truth.journals[key[1]], group)
            else:
                met = (*key, undersize[0], undersize.size, *(e.value for e in group))
                if met not in known:
                    known[met] = self._lobe(truth.lobes[key[1]], group, undersize)
                joint *= known[met]
        return float(of_zero @ (joint @ undersize_weight))

    def _lobe(self, lobe: LobeTruth, group: Sequence[Noise], undersize: Floats) -> Floats:
        """Density of one lobe's entries at each zero of the main tool (down) and each undersize (across)."""
        zeros, step, wear = self.zeros, self.step, self.nose_wear
        tools = {e.tool for e in group if e.reading.feature in LOBE_WIDTHS}
        if not tools:
            return self._lift_alone(lobe, group)
        if tools == {self.main}:
            shift = np.arange(zeros.size + undersize.size - 1) * step + zeros[0] - undersize[-1]
            found = lobe_density(lobe, group, shift, wear, step)
            return found[np.arange(zeros.size)[:, None] - np.arange(undersize.size)[None, :] + undersize.size - 1]
        if self.main not in tools:
            return lobe_density(lobe, group, -undersize[::-1], wear, step)[None, ::-1]
        return self._lobe_of_two_tools(lobe, group, undersize)

    def _lift_alone(self, lobe: LobeTruth, group: Sequence[Noise]) -> Floats:
        """The same where only lifts were read: neither the zero nor the base circle matters."""
        key = (lobe.lift, lobe.lift_sd, *group)
        if key not in self._lifts:
            self._lifts[key] = lobe_density(lobe, group, np.zeros(1), self.nose_wear, self.step)[None, :]
        return self._lifts[key]

    def _lobe_of_two_tools(self, lobe: LobeTruth, group: Sequence[Noise], undersize: Floats) -> Floats:
        """The same where the main tool and another read one lobe: a sum over the base circle B itself.

        What the main tool read depends on B + Z, what the other read (its zero already taken out) on B.
        """
        zeros, step = self.zeros, self.step
        of_main = [e for e in group if e.tool is self.main]
        others = [e for e in group if e.tool is not self.main]
        heights = {e.tool for e in group if e.reading.feature is Feature.LOBE_HEIGHT}
        if len(heights) > 1:
            raise NotImplementedError("heights of one lobe by two tools")
        low, high = _window([e for e in group if e.reading.feature is Feature.BASE_CIRCLE and e in others])
        base = np.arange(low, high + step, step)
        shown = base[0] + zeros[0] + np.arange(base.size + zeros.size - 1) * step
        by_main = self._given_base(lobe, of_main, shown)
        by_others = self._given_base(lobe, others, base)
        placed = normal(base[None, :] + undersize[:, None] - lobe.base, lobe.base_sd) * by_others * step
        at = np.arange(zeros.size)[:, None] + np.arange(base.size)[None, :]
        return by_main[at] @ placed.T

    def _given_base(self, lobe: LobeTruth, entries: Sequence[Noise], base: Floats) -> Floats:
        """Density of entries at known base circles: heights summed over the lift."""
        heights = [e for e in entries if e.reading.feature is Feature.LOBE_HEIGHT]
        found = _product([e for e in entries if e not in heights], base)
        if heights:
            lift = np.arange(
                lobe.lift - 7 * lobe.lift_sd - 25 * self.nose_wear, lobe.lift + 7 * lobe.lift_sd, self.step
            )
            of_lift = skewed(lift - lobe.lift, lobe.lift_sd, self.nose_wear, -1)
            found = found * _over_lift(heights, base, lift, of_lift, self.step)
        return found

    def _journal(self, number: int, position: object, stated: tuple[float, float], group: Sequence[Noise]) -> Floats:
        """Density of one journal's entries at each zero of the main tool."""
        key = (number, position, stated)
        if key not in self._journals:
            mean, sd = stated
            low, high = mean - 7 * sd - 25 * self.journal_wear, mean + 7 * sd
            own_low, own_high = _window(group)
            low, high = max(low, own_low - self.zeros[-1]), min(high, own_high - self.zeros[0])
            truth = np.arange(low, high + self.step, self.step) if low < high else np.zeros(0)
            found = skewed(truth - mean, sd, self.journal_wear, -1)[None, :] * self.step
            for e in group:
                zero = self.zeros[:, None] if e.tool is self.main else 0.0
                found = found * e.density(truth[None, :], zero)
            self._journals[key] = np.broadcast_to(found.sum(axis=1), self.zeros.shape)
        return self._journals[key]


def _of_what(e: Noise) -> tuple[object, ...]:
    """The truth an entry is of: entries of equal keys share it."""
    if e.reading.feature is Feature.JOURNAL_DIAMETER:
        return ("journal", e.reading.position)
    if e.reading.feature is Feature.ZERO_CHECK:
        return ("zero", e.tool)
    return ("lobe", e.reading.lobe, e.reading.cylinder)


def _normal_nodes(sd: float, count: int) -> list[tuple[float, float]]:
    x, w = np.polynomial.hermite_e.hermegauss(count)
    return list(zip((x * sd).tolist(), (w / w.sum()).tolist(), strict=True))


def _mixture_nodes(sd: float, model: MeasuringModel) -> list[tuple[float, float]]:
    bad = model.zero_bad_share
    usual = [(z, w * (1 - bad)) for z, w in _normal_nodes(sd, 9)]
    return usual + [(z, w * bad) for z, w in _normal_nodes(sd * model.zero_bad_factor, 17)]
