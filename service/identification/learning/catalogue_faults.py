"""Faults of the catalogue found by measuring: confirmed shafts that all differ from a printed nominal the same way.

One reading of each nominal counts from each shaft, the finest (`nominal_sights` says what it is worth). Many nominals
are looked at, so chance alone makes some look wrong: see `benjamini_hochberg`. Only those that at least `LEAST_SHAFTS`
shafts speak of are looked at, whatever they say.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from service.domain.catalogue import Catalogue, Part
from service.domain.readings import Instrument
from service.identification.learning.nominal_shifts import Shift, benjamini_hochberg, shift_of
from service.identification.learning.nominal_sights import KnownShaft, Sight, Target, sights_of
from service.identification.measuring.model import MeasuringModel

LEAST_SHAFTS = 3
FALSE_SHARE = 0.05
"""Of the nominals named as likely wrong, the expected share that is right, at the most."""


class Verdict(StrEnum):
    """What the shafts say of one nominal."""

    LIKELY_WRONG = "likely_wrong"
    WATCH = "watch"
    """Odd for this nominal alone, but among so many looked at nothing unusual."""
    NO_SIGN = "no_sign"
    TOO_FEW = "too_few"


@dataclass(frozen=True)
class Witness:
    """One shaft's word: as measured, and less what the model expects of tool, hand, making and wear; mm.

    `outlying`: so far out that it counts no more than a lesser oddity would.
    """

    case: str
    instrument: Instrument
    measured_mm: float
    corrected_mm: float
    sd_mm: float
    outlying: bool


@dataclass(frozen=True)
class Finding:
    """What was found of one nominal. `adjusted` is the p-value for how many were looked at; None of too few shafts."""

    target: Target
    nominal_mm: float
    shift: Shift
    adjusted: float | None
    verdict: Verdict
    witnesses: tuple[Witness, ...]

    @property
    def larger(self) -> int:
        """How many shafts lie above the nominal, corrected."""
        return sum(one.corrected_mm > self.nominal_mm for one in self.witnesses)


@dataclass(frozen=True)
class FaultReport:
    """Every nominal that a shaft speaks of, the likeliest faults first; `looked_at` of them were tested.

    `left_out` counts shafts whose part the catalogue does not have.
    """

    findings: tuple[Finding, ...]
    shafts: int
    left_out: int
    looked_at: int


def find_faults(catalogue: Catalogue, shafts: Sequence[KnownShaft], model: MeasuringModel) -> FaultReport:
    """Hold the shafts against the catalogue."""
    parts = {part.part_number: part for part in catalogue.parts}
    cores = {core.code: core for core in catalogue.cores}
    found: dict[Target, list[tuple[str, Sight]]] = defaultdict(list)
    known = [shaft for shaft in shafts if shaft.part_number in parts]
    for shaft in known:
        part = _sold_as(parts[shaft.part_number], parts)
        finest: dict[Target, Sight] = {}
        for target, sight in sights_of(shaft, part, cores[part.core], model):
            if target not in finest or sight.seen.law.sd < finest[target].seen.law.sd:
                finest[target] = sight
        for target, sight in finest.items():
            found[target].append((shaft.case, sight))
    shifts = {target: shift_of([sight.seen for _, sight in several]) for target, several in found.items()}
    tested = [target for target, several in found.items() if len(several) >= LEAST_SHAFTS]
    adjusted = dict(zip(tested, benjamini_hochberg([shifts[t].p_value for t in tested]), strict=True))
    findings = [_finding(target, several, shifts[target], adjusted.get(target)) for target, several in found.items()]
    order = list(Verdict)
    findings.sort(key=lambda one: (order.index(one.verdict), one.shift.p_value, -len(one.witnesses)))
    return FaultReport(tuple(findings), len(known), len(shafts) - len(known), len(tested))


def _finding(target: Target, several: Sequence[tuple[str, Sight]], shift: Shift, adjusted: float | None) -> Finding:
    if adjusted is None:
        verdict = Verdict.TOO_FEW
    elif adjusted <= FALSE_SHARE:
        verdict = Verdict.LIKELY_WRONG
    else:
        verdict = Verdict.WATCH if shift.p_value <= FALSE_SHARE else Verdict.NO_SIGN
    nominal = several[0][1].nominal_mm
    witnesses = tuple(
        Witness(
            case,
            sight.instrument,
            nominal + sight.seen.away,
            nominal + sight.seen.away - sight.seen.law.median,
            sight.seen.law.sd,
            sight.seen.outlying,
        )
        for case, sight in several
    )
    return Finding(target, nominal, shift, adjusted, verdict, witnesses)


def _sold_as(part: Part, parts: dict[str, Part]) -> Part:
    """The number that the same grind is sold under now."""
    seen = {part.part_number}
    while part.superseded_by is not None and part.superseded_by not in seen:
        successor = parts.get(part.superseded_by)
        if successor is None or (successor.core, successor.lobes) != (part.core, part.lobes):
            break
        part = successor
        seen.add(part.part_number)
    return part
