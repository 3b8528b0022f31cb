"""The careful hand method: gate the cores by journal, then take the nearest lift. The thing to beat.

Only cores whose journal is within 0.004 in; among their grinds the mean absolute lift difference over the lobes read;
refused above 0.006 in; the confidence is the gap to the second best (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from service.domain.catalogue import Catalogue
from service.domain.readings import Feature, LobeKind, Position, Submission

JOURNAL_GATE_MM = 0.004 * 25.4
REFUSED_ABOVE_MM = 0.006 * 25.4


@dataclass(frozen=True)
class HandAnswer:
    """What the hand method says: the nearest grind, how near, and the gap to the next. Refused: no part number."""

    part_number: str | None
    gap_mm: float = -np.inf


def _journals_read(submission: Submission) -> Mapping[Position, float]:
    found: dict[Position, list[float]] = {}
    for reading in submission.readings:
        if reading.feature is Feature.JOURNAL_DIAMETER and reading.position is not None:
            found.setdefault(reading.position, []).append(submission.unit.to_mm(reading.mean))
    return {position: float(np.mean(sizes)) for position, sizes in found.items()}


def _lifts_read(submission: Submission) -> Mapping[LobeKind, float]:
    """Per lobe: the lift read outright where it was, else height less base circle, else from the valve."""
    by_feature: dict[tuple[LobeKind, Feature], list[float]] = {}
    for reading in submission.readings:
        if reading.lobe is None or reading.feature.is_angle:
            continue
        size = submission.unit.to_mm(reading.mean)
        if reading.feature is Feature.VALVE_LIFT:
            lash = submission.unit.to_mm(reading.lash or 0)
            size = (size + lash) / float(reading.rocker_ratio or 1)
        by_feature.setdefault((reading.lobe, reading.feature), []).append(size)
    lifts = {}
    for lobe in LobeKind:
        found = {feature: float(np.mean(sizes)) for (of, feature), sizes in by_feature.items() if of is lobe}
        if Feature.LOBE_LIFT in found:
            lifts[lobe] = found[Feature.LOBE_LIFT]
        elif Feature.LOBE_HEIGHT in found and Feature.BASE_CIRCLE in found:
            lifts[lobe] = found[Feature.LOBE_HEIGHT] - found[Feature.BASE_CIRCLE]
        elif Feature.VALVE_LIFT in found:
            lifts[lobe] = found[Feature.VALVE_LIFT]
    return lifts


class HandMethod:
    """The hand method over one catalogue. `classes` says which numbers count as one answer."""

    def __init__(self, catalogue: Catalogue, classes: Mapping[str, frozenset[str]]) -> None:
        journals = {core.code: {j.position: j.diameter_mm for j in core.journals} for core in catalogue.cores}
        self.numbers = [part.part_number for part in catalogue.parts]
        self.classes = [classes[number] for number in self.numbers]
        self.journal = {
            position: np.array([journals[part.core].get(position, np.nan) for part in catalogue.parts])
            for position in Position
        }
        self.lift = {
            kind: np.array([part.lobes[kind].lift_mm if kind in part.lobes else np.nan for part in catalogue.parts])
            for kind in LobeKind
        }

    def answer(self, submission: Submission) -> HandAnswer:
        """The nearest grind to what was read, or a refusal."""
        lifts = _lifts_read(submission)
        if not lifts:
            return HandAnswer(None)
        distance = np.mean([np.abs(self.lift[kind] - size) for kind, size in lifts.items()], axis=0)
        for position, size in _journals_read(submission).items():
            outside = ~(np.abs(self.journal[position] - size) <= JOURNAL_GATE_MM)
            distance = np.where(outside, np.nan, distance)
        left = np.flatnonzero(np.isfinite(distance))
        if not len(left):
            return HandAnswer(None)
        left = left[np.argsort(distance[left], kind="stable")]
        best = left[0]
        if distance[best] > REFUSED_ABOVE_MM:
            return HandAnswer(None)
        second = next((at for at in left[1:] if self.classes[at] != self.classes[best]), None)
        gap = np.inf if second is None else float(distance[second] - distance[best])
        return HandAnswer(self.numbers[best], gap)
