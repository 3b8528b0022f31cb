"""Slips: the structured mistakes people make, each a hypothesis that explains the submission as a whole.

A hypothesis holds the readings as they would have been without the slip. At most one slip a submission is reckoned
with; its prior comes from `MeasuringModel.slip_priors`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from itertools import pairwise

from service.domain.identification import Slip
from service.domain.readings import Degrees, Feature, Reading, Submission, Written
from service.identification.measuring.model import MeasuringModel

_STANDARD_CHECKING_LIFTS_MM = tuple(
    float(x) for x in (Decimal("0.1524"), Decimal("0.508"), Decimal("1.27"), Decimal(1))
)
"""0.006, 0.020 and 0.050 in, and 1 mm: the checking lifts in use (common practice, no source)."""


@dataclass(frozen=True)
class Hypothesis:
    """What was meant: `slip` None for "just what is written". `changed` maps a reading's index to what was meant.

    `misread` is the index of a journal reading taken on a groove or chamfer. `only_ratio` restricts the hypothesis
    to parts of that rocker ratio on the lobe `only_ratio_lobe`.
    """

    slip: Slip | None
    pointer: str
    log_prior: float
    changed: dict[int, Reading] = field(default_factory=dict)
    other_unit: bool = False
    misread: int | None = None
    only_ratio: float | None = None
    only_ratio_lobe: int | None = None


def _swaps(written: Written) -> Iterator[Written]:
    """Every value that differs from `written` by one swap of neighbouring unlike digits."""
    text = str(written)
    digits = [i for i, ch in enumerate(text) if ch.isdigit()]
    for a, b in pairwise(digits):
        if text[a] != text[b]:
            swapped = list(text)
            swapped[a], swapped[b] = text[b], text[a]
            value = Decimal("".join(swapped))
            if value > 0:
                yield Written(value, written.decimals)


def _with_value(reading: Reading, index: int, value: Written) -> Reading:
    return replace(reading, values=(*reading.values[:index], value, *reading.values[index + 1 :]))


def _digit_swaps(reading: Reading) -> list[Reading]:
    """The reading with one repeat's digits put back; among repeats only a swap that brings it nearer the others."""
    found = []
    for i, written in enumerate(reading.values):
        others = [w.value for j, w in enumerate(reading.values) if j != i]
        middle = sorted(others)[len(others) // 2] if others else None
        found += [
            _with_value(reading, i, meant)
            for meant in _swaps(written)
            if middle is None or abs(meant.value - middle) < abs(written.value - middle)
        ]
    return found


def _scaled(reading: Reading, factor: Decimal) -> Reading:
    shift = 1 if factor < 1 else -1
    values = tuple(
        Written(w.value * factor, None if w.decimals is None else max(0, w.decimals + shift)) for w in reading.values
    )
    return replace(reading, values=values)


def _of_one_reading(
    i: int, reading: Reading, priors: dict[Slip, float], ratios: Mapping[int, tuple[float, ...]], lobes: tuple[str, ...]
) -> Iterator[Hypothesis]:
    pointer = f"/readings/{i}"
    feature = reading.feature
    if feature is not Feature.ZERO_CHECK:
        swaps = _digit_swaps(reading)
        possible = max(1, sum(ch.isdigit() for ch in str(reading.values[0])) - 1)
        for meant in swaps:
            yield Hypothesis(Slip.DIGITS_SWAPPED, pointer, math.log(priors[Slip.DIGITS_SWAPPED] / possible), {i: meant})
    if not feature.is_angle and feature is not Feature.ZERO_CHECK:
        for factor in (Decimal(10), Decimal("0.1")):
            chance = priors[Slip.DECIMAL_SLIPPED] / 2
            yield Hypothesis(Slip.DECIMAL_SLIPPED, pointer, math.log(chance), {i: _scaled(reading, factor)})
    if feature is Feature.JOURNAL_DIAMETER:
        yield Hypothesis(Slip.JOURNAL_MISREAD, pointer, math.log(priors[Slip.JOURNAL_MISREAD]), misread=i)
    if feature is Feature.LOBE_LIFT and reading.lobe is not None:
        lobe = lobes.index(reading.lobe)
        known = [r for r in ratios.get(lobe, ()) if abs(r - 1) > 0.02]
        for ratio in known:
            meant = replace(reading, feature=Feature.VALVE_LIFT, rocker_ratio=Decimal(repr(ratio)), lash=Decimal(0))
            chance = priors[Slip.VALVE_LIFT_AS_LOBE_LIFT]
            yield Hypothesis(
                Slip.VALVE_LIFT_AS_LOBE_LIFT,
                pointer,
                math.log(chance),
                {i: meant},
                only_ratio=ratio,
                only_ratio_lobe=lobe,
            )
    if feature is Feature.DURATION:
        other = Degrees.CRANK if reading.degrees is Degrees.CAM else Degrees.CAM
        chance = math.log(priors[Slip.CAM_AS_CRANK_DEGREES])
        yield Hypothesis(Slip.CAM_AS_CRANK_DEGREES, pointer, chance, {i: replace(reading, degrees=other)})


def _other_checking_lifts(i: int, reading: Reading, unit_mm: float, chance: float) -> Iterator[Hypothesis]:
    stated = float(reading.checking_lift or 0) * unit_mm
    others = [x for x in _STANDARD_CHECKING_LIFTS_MM if abs(x - stated) > 0.02]
    for lift_mm in others:
        meant = replace(reading, checking_lift=Decimal(repr(lift_mm / unit_mm)))
        yield Hypothesis(Slip.OTHER_CHECKING_LIFT, f"/readings/{i}", math.log(chance / len(others)), {i: meant})


def _height_base_swaps(submission: Submission, prior: float) -> Iterator[Hypothesis]:
    """Per lobe: what was called height is the base circle and the other way round."""
    turned = {Feature.LOBE_HEIGHT: Feature.BASE_CIRCLE, Feature.BASE_CIRCLE: Feature.LOBE_HEIGHT}
    lobes: dict[tuple[object, object], dict[int, Reading]] = {}
    for i, reading in enumerate(submission.readings):
        if reading.feature in turned:
            key = (reading.lobe, reading.cylinder)
            lobes.setdefault(key, {})[i] = replace(reading, feature=turned[reading.feature])
    for changed in lobes.values():
        first = next((i for i in changed if submission.readings[i].feature is Feature.LOBE_HEIGHT), min(changed))
        yield Hypothesis(Slip.HEIGHT_BASE_SWAPPED, f"/readings/{first}", math.log(prior), changed)


_AGREE = 0.005
"""Readings of one place that agree to this, relative, bear each other out."""


def _borne_out(readings: Sequence[Reading]) -> set[int]:
    """Readings that another entry of the same place agrees with: nobody makes one slip twice."""
    places: dict[tuple[object, ...], list[int]] = {}
    for i, r in enumerate(readings):
        if not r.feature.is_angle and r.feature is not Feature.LOBE_LIFT:
            places.setdefault((r.feature, r.lobe, r.cylinder, r.position), []).append(i)
    found = set()
    for several in places.values():
        for i in several:
            own = readings[i].mean
            if any(abs(float(readings[j].mean - own)) <= _AGREE * abs(float(own)) for j in several if j != i):
                found.add(i)
    return found


def hypotheses(
    submission: Submission, model: MeasuringModel, ratios: Mapping[int, tuple[float, ...]], lobes: tuple[str, ...]
) -> list[Hypothesis]:
    """Every slip that could have been made, the plain reading of the submission first.

    `ratios` lists, by lobe index into `lobes`, the rocker ratios the catalogue states. The priors sum to one.
    """
    priors = {Slip(name): chance for name, chance in model.slip_priors.items()}
    unit_mm = float(submission.unit.mm)
    found: list[Hypothesis] = []
    borne_out = _borne_out(submission.readings)
    for i, reading in enumerate(submission.readings):
        if i in borne_out or reading.feature in (Feature.FLANK_WIDTH, Feature.VALVE_EVENT):
            continue
        found.extend(_of_one_reading(i, reading, priors, ratios, lobes))
        if reading.feature is Feature.DURATION:
            found.extend(_other_checking_lifts(i, reading, unit_mm, priors[Slip.OTHER_CHECKING_LIFT]))
    found.extend(_height_base_swaps(submission, priors[Slip.HEIGHT_BASE_SWAPPED]))
    of_lobes = {i: replace(r, lobe=r.lobe.other) for i, r in enumerate(submission.readings) if r.lobe is not None}
    if of_lobes:
        pointer = f"/readings/{min(of_lobes)}"
        found.append(Hypothesis(Slip.LOBES_SWAPPED, pointer, math.log(priors[Slip.LOBES_SWAPPED]), of_lobes))
    if any(not r.feature.is_angle for r in submission.readings):
        found.append(Hypothesis(Slip.UNIT_MISTAKEN, "/unit", math.log(priors[Slip.UNIT_MISTAKEN]), other_unit=True))
    # valve lifts are one mistake whatever the ratio, so their chances are not added up
    ratio_share = {(h.slip, h.pointer): math.exp(h.log_prior) for h in found if h.only_ratio is not None}
    total = sum(math.exp(h.log_prior) for h in found if h.only_ratio is None) + sum(ratio_share.values())
    scale = min(1.0, 0.5 / total) if total else 1.0
    plain = Hypothesis(None, "", math.log1p(-total * scale))
    if scale < 1:
        found = [replace(h, log_prior=h.log_prior + math.log(scale)) for h in found]
    return [plain, *found]
