"""A submission's readings as numbers the likelihood can use: millimetres and degrees, each with its error."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import IntEnum
from functools import partial

from service.domain.arrays import Floats
from service.domain.readings import (
    DEFAULT_INCLUDED_ANGLE,
    At,
    Condition,
    Degrees,
    Feature,
    Instrument,
    Reading,
    Submission,
)
from service.identification.catalogue_table.table import LOBES, POSITIONS
from service.identification.measuring.model import EntryError, MeasuringModel, spread_of_mean
from service.identification.numerics.densities import LOG_SQRT_2PI


class Truth(IntEnum):
    """What an entry is a reading of."""

    JOURNAL = 0
    BASE = 1
    HEIGHT = 2
    LIFT = 3
    LENGTH = 4
    SEPARATION = 5
    DURATION = 6
    ZERO = 7
    TEETH = 8
    FAMILY = 9
    FLANK = 10
    TABLE = 11


GroupKey = tuple[object, ...]

DROWNED = 12.0
"""A part of the error this many times smaller than the scatter changes a density by less than a hundredth of it."""


@dataclass(frozen=True, eq=False, slots=True)
class Entry:
    """One entry: `mean` = truth + zero + `sign` * Exp(`tail`) + Normal(0, `sd`), bias already taken out.

    `group` names the truths it shares with other entries: a journal position, one lobe of one cylinder, and so on.
    `tool` is set where the reading carries its tool's zero. `own_log` is the log-density of the repeats about their
    mean. `shares_ratio` marks a valve lift, whose error in the rocker ratio is shared. `claim` holds a named family.
    `per_part` (N,) and `per_stranger` are what a bench's lift tables say, as log-likelihoods.
    Compared and hashed by identity: the likelihood recognises an entry it has met before by that.
    """

    pointer: str
    truth: Truth
    group: GroupKey
    mean: float
    sd: float
    tail: float = 0.0
    sign: int = 1
    tool: Instrument | None = None
    zero_sd: float = 0.0
    own_log: float = 0.0
    shares_ratio: bool = False
    checking_lift_mm: float = 0.0
    at_valve: bool = False
    claim: str = ""
    per_part: Floats | None = None
    per_stranger: float = 0.0

    def simplified(self) -> Entry:
        """The same entry without a one-sided part that its own scatter drowns (coarse digits, a fine tool)."""
        if not 0 < self.tail < self.sd / DROWNED:
            return self
        mean = self.mean - self.sign * self.tail
        return replace(self, mean=mean, sd=math.hypot(self.sd, self.tail), tail=0.0)

    @property
    def drowns_its_zero(self) -> bool:
        """Whether the tool's zero is lost in the entry's own scatter."""
        return self.tool is None or self.sd > DROWNED * self.zero_sd

    def standing_alone(self, ratio_sd: float) -> Entry:
        """The same entry with what it shares (tool's zero, rocker ratio's error) taken as scatter of its own."""
        if self.shares_ratio:
            return replace(self, shares_ratio=False, sd=math.hypot(self.sd, self.mean * ratio_sd))
        if self.tool is None:
            return self
        return replace(self, tool=None, sd=math.hypot(self.sd, 1.5 * self.zero_sd), zero_sd=0.0)


_LOBE_TRUTH = {
    Feature.LOBE_HEIGHT: Truth.HEIGHT,
    Feature.BASE_CIRCLE: Truth.BASE,
    Feature.LOBE_LIFT: Truth.LIFT,
}


@dataclass(frozen=True)
class Hand:
    """How well this caller measures, and how worn the shaft is, as far as the lobes share it.

    `level` is one of `MeasuringModel.hand_levels`, `wear` a factor on the mean nose wear; `log_share` is the log of the
    prior share.
    """

    level: float
    wear: float
    log_share: float


def hands(submission: Submission, model: MeasuringModel) -> tuple[Hand, ...]:
    """What a caller's hand and the shaft's wear may be, the likeliest level of the hand first."""
    lobes = {(r.lobe, r.cylinder) for r in submission.readings if r.lobe is not None and not r.feature.is_angle}
    if len(lobes) < model.many_lobes:
        return tuple(Hand(level, 1.0, math.log(share)) for level, share in model.hand_levels)
    level, fine = model.fine_hand
    lightest = min(model.wear_levels)
    found = [Hand(level, lightest[0], math.log(fine))]
    for wear, worn in sorted(model.wear_levels):
        found += [Hand(level, wear, math.log(share * worn * (1 - fine))) for level, share in model.hand_levels]
    return tuple(sorted(found, key=lambda hand: -hand.log_share))


def is_used(submission: Submission) -> bool:
    """Whether wear must be reckoned with: unless the shaft is said to be new."""
    return submission.condition is not Condition.NEW


def _own_log(reading: Reading, unit_mm: float, error: EntryError) -> float:
    """Log-density of the repeats about their mean: n - 1 free normals of the hand's scatter and the rounding."""
    n = error.repeats
    if n < 2:
        return 0.0
    mean = reading.mean
    squares = float(sum(((w.value - mean) ** 2 for w in reading.values), Decimal(0))) * unit_mm**2
    variance = error.scatter_sd**2 + error.step**2 / 12
    return -(n - 1) * (0.5 * math.log(variance) + LOG_SQRT_2PI) - squares / (2 * variance)


def entry_of(index: int, reading: Reading, submission: Submission, model: MeasuringModel, level: float) -> Entry | None:
    """The entry for one reading, or None where the engine makes no use of its feature."""
    pointer = f"/readings/{index}"
    error = spread_of_mean(reading, submission, model, level)
    instrument = submission.instrument_of(reading)
    tool = instrument if error.zero_sd > 0 else None
    unit_mm = float(submission.unit.mm)
    feature = reading.feature
    mean_mm = float(reading.mean) * unit_mm - error.bias
    own = _own_log(reading, 1.0 if feature.is_angle else unit_mm, error)
    sign = error.sign or 1
    width = partial(
        Entry, pointer, sd=error.sd, tail=error.technique_mean, sign=sign, tool=tool, zero_sd=error.zero_sd, own_log=own
    )
    if feature is Feature.JOURNAL_DIAMETER and reading.position is not None:
        return width(Truth.JOURNAL, ("journal", POSITIONS.index(reading.position)), mean_mm)
    if feature is Feature.OVERALL_LENGTH:
        return width(Truth.LENGTH, ("length",), mean_mm)
    if feature is Feature.ZERO_CHECK:
        return width(Truth.ZERO, ("zero", instrument), mean_mm - float(reading.reference or 0) * unit_mm)
    if feature is Feature.LOBE_SEPARATION:
        return Entry(pointer, Truth.SEPARATION, ("separation",), float(reading.mean), error.sd, own_log=own)
    if reading.lobe is None:
        return None
    lobe = LOBES.index(reading.lobe)
    group = ("lobe", lobe, reading.cylinder or 0)
    if feature is Feature.FLANK_WIDTH:
        included = float(reading.included_angle_deg or DEFAULT_INCLUDED_ANGLE)
        return width(Truth.FLANK, ("flank", lobe, reading.cylinder or 0, included, reading.flank or ""), mean_mm)
    if feature is Feature.DURATION:
        return _duration(pointer, reading, lobe, unit_mm, error, own)
    if feature is Feature.VALVE_LIFT:
        ratio = float(reading.rocker_ratio or 1)
        lift = (mean_mm + float(reading.lash or 0) * unit_mm) / ratio
        tail = error.technique_mean / ratio
        return Entry(pointer, Truth.LIFT, group, lift, error.sd / ratio, tail, sign, own_log=own, shares_ratio=True)
    truth = _LOBE_TRUTH.get(feature)
    return None if truth is None else width(truth, group, mean_mm)


def _duration(pointer: str, reading: Reading, lobe: int, unit_mm: float, error: EntryError, own: float) -> Entry | None:
    if reading.checking_lift is None:
        return None
    crank = 2.0 if reading.degrees is Degrees.CAM else 1.0
    checking = float(reading.checking_lift) * unit_mm
    at_valve = reading.at is At.VALVE
    return Entry(
        pointer,
        Truth.DURATION,
        ("duration", lobe, checking, at_valve),
        float(reading.mean) * crank,
        error.sd * crank,
        own_log=own,
        checking_lift_mm=checking,
        at_valve=at_valve,
    )


def other_entries(submission: Submission, families: frozenset[str]) -> list[Entry]:
    """Entries for what was counted or claimed rather than measured. A family nobody knows says nothing."""
    found = []
    if submission.gear_teeth is not None:
        found.append(Entry("/counts/gear_teeth", Truth.TEETH, ("teeth",), float(submission.gear_teeth), 0.0))
    claim = (submission.engine_family or "").strip().casefold()
    if claim in families:
        found.append(Entry("/engine_family", Truth.FAMILY, ("family",), 0.0, 0.0, claim=claim))
    return found
