"""Callers drawn from the measuring model's own statement of itself, with the part they hold.

Written from the docstrings of `measuring` and `likelihood`, without their code. Every caller has one caliper, reads the
front journal and both widths of both lobes of a used shaft that was never reground, and makes no slip.
"""

from __future__ import annotations

from decimal import Decimal

import numpy as np

from service.domain.catalogue import Catalogue, Core, Part, Tolerance
from service.domain.readings import (
    Condition,
    Experience,
    Feature,
    Instrument,
    LobeKind,
    Position,
    Reading,
    Source,
    Submission,
    Written,
)
from service.domain.units import LengthUnit
from service.identification.learning.calibration import LabelledCase
from service.identification.measuring.model import MeasuringModel

TOOL = Instrument.DIGITAL_CALIPER


class _Caller:
    """One caller with one caliper."""

    def __init__(self, model: MeasuringModel, rng: np.random.Generator, repeats: int, practised: bool) -> None:
        self.model, self.rng, self.repeats = model, rng, repeats
        self.tool = model.tools[TOOL]
        bad = model.zero_bad_factor if rng.random() < model.zero_bad_share else 1.0
        self.zero = rng.normal(0, bad * self.tool.zero_sd)
        levels, shares = zip(*model.hand_levels, strict=True)
        self.hand = rng.choice(levels, p=shares) * (1.0 if practised else model.unknown_experience_factor)

    def made(self, nominal: float, tolerance: Tolerance | None, usual_sd: float) -> float:
        """A size as made: normal about the middle of a stated band, which is so many standard deviations wide."""
        if tolerance is None or tolerance.minus_mm + tolerance.plus_mm == 0:
            return float(nominal + self.rng.normal(0, usual_sd))
        width = tolerance.minus_mm + tolerance.plus_mm
        middle = nominal + (tolerance.plus_mm - tolerance.minus_mm) / 2
        return float(middle + self.rng.normal(0, width / self.model.tolerance_sds))

    def read(self, feature: Feature, truth: float, technique: float = 0.0, **where: object) -> Reading:
        once = truth + self.zero + self.rng.normal(self.model.tilt_mean, self.model.tilt_sd)
        once += np.sign(technique) * self.rng.exponential(abs(technique) * self.hand) if technique else 0.0
        each = once + self.rng.normal(0, self.tool.scatter * self.hand, self.repeats)
        steps = np.round(each / self.tool.step_mm).astype(int)
        values = tuple(Written(Decimal(int(n)) * Decimal(repr(self.tool.step_mm)), 2) for n in steps)
        return Reading(feature, values, **where)  # type: ignore[arg-type]


def submission_about(
    part: Part,
    core: Core,
    model: MeasuringModel,
    rng: np.random.Generator,
    *,
    repeats: int = 2,
    practised: bool = True,
) -> Submission:
    """What a caller who holds `part` says; where not said to be `practised`, nothing is known of them."""
    caller = _Caller(model, rng, repeats, practised)
    front = next(journal for journal in core.journals if journal.position is Position.FRONT)
    journal = caller.made(front.diameter_mm, front.tolerance, model.journal_making_sd)
    journal -= rng.exponential(model.journal_wear_mean)
    readings = [caller.read(Feature.JOURNAL_DIAMETER, journal, position=Position.FRONT)]
    for kind in LobeKind:
        lobe = part.lobes[kind]
        base = caller.made(lobe.base_circle_mm, lobe.base_circle_tolerance, model.base_making_sd)
        lift = caller.made(lobe.lift_mm, lobe.lift_tolerance, model.lift_making_sd)
        lift -= rng.exponential(model.nose_wear_mean)
        tool = caller.tool
        readings.append(caller.read(Feature.LOBE_HEIGHT, base + lift, -tool.height_small, lobe=kind))
        readings.append(caller.read(Feature.BASE_CIRCLE, base, tool.base_large, lobe=kind))
    return Submission(
        Source.PHONE,
        LengthUnit.MILLIMETRE,
        tuple(readings),
        instrument=TOOL,
        experience=Experience.PRACTISED if practised else None,
        condition=Condition.USED,
    )


def draw_cases(catalogue: Catalogue, model: MeasuringModel, count: int, seed: int) -> tuple[LabelledCase, ...]:
    """Callers who hold parts with both lobes, each part as likely as another."""
    rng = np.random.default_rng(seed)
    cores = {core.code: core for core in catalogue.cores}
    whole = [
        part
        for part in catalogue.parts
        if len(part.lobes) == len(LobeKind) and any(j.position is Position.FRONT for j in cores[part.core].journals)
    ]
    found = []
    for _ in range(count):
        part = whole[rng.integers(len(whole))]
        found.append(LabelledCase(submission_about(part, cores[part.core], model, rng), part.part_number))
    return tuple(found)
