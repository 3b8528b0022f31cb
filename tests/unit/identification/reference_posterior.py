"""The reference posterior: every hypothesis of the stated model, each integrated by `brute_force`, and Bayes' rule.

Shares no code with the engine. It covers journals, heights, base circles, lifts at the lobe and at the valve, zero
checks, gear teeth and a claimed family, and the slips in `SLIPS`. The few constants of the model that are stated
outside `MeasuringModel` stand here again, by hand.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np
from scipy import stats

from service.domain.catalogue import Catalogue, Core
from service.domain.identification import Slip
from service.domain.readings import Condition, Feature, LobeKind, Reading, Submission, Written
from service.identification.measuring.model import MeasuringModel
from tests.unit.identification.brute_force import Integrator, LobeTruth, Noise, ShaftTruth, made, noise_of

GROOVE_MEAN_MM = 0.5
UNKNOWN_COUNT = 0.06
SLIPS = (Slip.HEIGHT_BASE_SWAPPED, Slip.LOBES_SWAPPED, Slip.UNIT_MISTAKEN, Slip.DECIMAL_SLIPPED, Slip.JOURNAL_MISREAD)
LIFTS = (Feature.LOBE_LIFT, Feature.VALVE_LIFT)


@dataclass(frozen=True)
class Reference:
    """Probabilities: of each part number, of its being reground (jointly), of a stranger, of each slip."""

    part: dict[str, float]
    reground: dict[str, float]
    outside: float
    slip: dict[Slip, float]


@dataclass(frozen=True)
class _Meant:
    """One slip hypothesis: the submission as it was meant, and its prior."""

    slip: Slip | None
    prior: float
    submission: Submission
    misread: int | None = None


def _with(submission: Submission, changed: dict[int, Reading]) -> Submission:
    return replace(submission, readings=tuple(changed.get(i, r) for i, r in enumerate(submission.readings)))


def _times(reading: Reading, factor: Decimal, shift: int) -> Reading:
    values = [
        Written(w.value * factor, None if w.decimals is None else max(0, w.decimals + shift)) for w in reading.values
    ]
    return replace(reading, values=tuple(values))


def _slips(submission: Submission, model: MeasuringModel) -> Iterator[_Meant]:
    prior = {Slip(name): chance for name, chance in model.slip_priors.items()}
    readings = submission.readings
    turned = {Feature.LOBE_HEIGHT: Feature.BASE_CIRCLE, Feature.BASE_CIRCLE: Feature.LOBE_HEIGHT}
    for lobe in {(r.lobe, r.cylinder) for r in readings if r.feature in turned}:
        swapped = {
            i: replace(r, feature=turned[r.feature])
            for i, r in enumerate(readings)
            if r.feature in turned and (r.lobe, r.cylinder) == lobe
        }
        yield _Meant(Slip.HEIGHT_BASE_SWAPPED, prior[Slip.HEIGHT_BASE_SWAPPED], _with(submission, swapped))
    other = {i: replace(r, lobe=r.lobe.other) for i, r in enumerate(readings) if r.lobe is not None}
    if other:
        yield _Meant(Slip.LOBES_SWAPPED, prior[Slip.LOBES_SWAPPED], _with(submission, other))
    yield _Meant(Slip.UNIT_MISTAKEN, prior[Slip.UNIT_MISTAKEN], replace(submission, unit=submission.unit.other))
    for i, r in enumerate(readings):
        if r.feature is Feature.ZERO_CHECK:
            continue
        for factor, shift in ((Decimal(10), -1), (Decimal("0.1"), 1)):
            meant = _with(submission, {i: _times(r, factor, shift)})
            yield _Meant(Slip.DECIMAL_SLIPPED, prior[Slip.DECIMAL_SLIPPED] / 2, meant)
        if r.feature is Feature.JOURNAL_DIAMETER:
            yield _Meant(Slip.JOURNAL_MISREAD, prior[Slip.JOURNAL_MISREAD], submission, misread=i)


@dataclass(frozen=True)
class _Shaft:
    """One hypothesis of making: the truth in parts, for the integrator.

    `single_lift` asks for a lift shared by both lobes, spread as so many (share, mean, sd) say.
    """

    prior: float
    part: str | None
    reground: bool
    core: Core | None
    truth: ShaftTruth
    single_lift: tuple[tuple[float, float, float], ...] | None = None


def _gamma(mean: float, sd: float) -> object:
    return stats.gamma((mean / sd) ** 2, scale=sd**2 / mean)


def _journals(core: Core | None, catalogue: Catalogue, model: MeasuringModel) -> dict[object, tuple[float, float]]:
    every = [
        made(j.diameter_mm, j.tolerance, model.journal_making_sd, model)[0] for c in catalogue.cores for j in c.journals
    ]
    if core is None:
        return dict.fromkeys(
            {j.position for c in catalogue.cores for j in c.journals},
            (float(np.mean(every)), 1.3 * max(float(np.std(every)), 8.0)),
        )
    return {j.position: made(j.diameter_mm, j.tolerance, model.journal_making_sd, model) for j in core.journals}


def _shafts(catalogue: Catalogue, model: MeasuringModel, used: bool, both_lifts: bool) -> Iterator[_Shaft]:
    cores = {core.code: core for core in catalogue.cores}
    known = [p.units_sold for p in catalogue.parts if p.units_sold is not None]
    usual = float(np.mean(known)) if known else 1.0
    weight = {
        p.part_number: (usual if p.units_sold is None else p.units_sold) + 0.03 * max(usual, 1) for p in catalogue.parts
    }
    sold = 1 - model.stranger_prior - model.unexplained_prior
    regrind = model.regrind_prior if used else 0.0
    law = _gamma(model.regrind_undersize_mean, model.regrind_undersize_sd)
    nominal: dict[str, dict[LobeKind, LobeTruth]] = {}
    for part in catalogue.parts:
        lobes = {}
        for kind, lobe in part.lobes.items():
            base, base_sd = made(lobe.base_circle_mm, lobe.base_circle_tolerance, model.base_making_sd, model)
            lift, lift_sd = made(lobe.lift_mm, lobe.lift_tolerance, model.lift_making_sd, model)
            lobes[kind] = LobeTruth(base, base_sd, lift, lift_sd)
        nominal[part.part_number] = lobes
        core = cores[part.core]
        journals = _journals(core, catalogue, model)
        prior = sold * weight[part.part_number] / sum(weight.values())
        yield _Shaft(prior * (1 - regrind), part.part_number, False, core, ShaftTruth(lobes, journals, None))
        if regrind:
            truth = ShaftTruth(lobes, journals, law.pdf, (0.0, float(law.isf(1e-10))))
            yield _Shaft(prior * regrind, part.part_number, True, core, truth)
    lifts = {kind: [n[kind].lift for n in nominal.values()] for kind in LobeKind}
    lift_mean = {kind: float(np.mean(lifts[kind])) for kind in LobeKind}
    spread = {k: math.hypot(max(float(np.std(lifts[k])), 1.0), model.stranger_lift_spread) for k in LobeKind}
    bases = {
        code: {
            k: float(np.mean([nominal[p.part_number][k].base for p in catalogue.parts if p.core == code]))
            for k in LobeKind
        }
        for code in cores
    }
    overall = {k: float(np.mean([of[k] for of in bases.values()])) for k in LobeKind}
    single = model.stranger_single_pattern_share if both_lifts else 0.0
    for code in (*cores, None):
        core = cores[code] if code is not None else None
        share = 1 - model.stranger_known_core_share
        if code is not None:
            share = (
                model.stranger_known_core_share * sum(p.core == code for p in catalogue.parts) / len(catalogue.parts)
            )
        base = overall if code is None else bases[code]
        sd = model.stranger_base_sd * (4 if code is None else 1)
        undersize = stats.norm(0, sd).pdf
        journals = _journals(core, catalogue, model)
        for of_kind, factor in model.stranger_lift_kinds:
            broad = {
                k: LobeTruth(
                    base[k], model.base_making_sd, lift_mean[k], math.hypot(factor * spread[k], model.lift_making_sd)
                )
                for k in LobeKind
            }
            prior = model.stranger_prior * share * of_kind
            truth = ShaftTruth(broad, journals, undersize, (-7 * sd, 7 * sd))
            yield _Shaft(prior * (1 - single), None, False, core, truth)
        if single:
            narrow = {k: LobeTruth(base[k], model.base_making_sd, 0.0, model.lift_making_sd) for k in LobeKind}
            middle, width = float(np.mean(list(lift_mean.values()))), float(np.mean(list(spread.values())))
            kinds = tuple((of_kind, middle, factor * width) for of_kind, factor in model.stranger_lift_kinds)
            truth = ShaftTruth(narrow, journals, undersize, (-7 * sd, 7 * sd))
            yield _Shaft(model.stranger_prior * share * single, None, False, core, truth, single_lift=kinds)


def _counts(core: Core | None, catalogue: Catalogue, submission: Submission, model: MeasuringModel) -> float:
    """Probability of the gear teeth counted and of the family claimed."""
    chance = 1.0
    if submission.gear_teeth is not None:
        stated = core.gear_teeth if core else None
        if stated is None:
            chance *= UNKNOWN_COUNT
        elif stated == submission.gear_teeth:
            chance *= model.teeth_right
        else:
            away = abs(stated - submission.gear_teeth)
            chance *= max((1 - model.teeth_right) / 2 * math.exp(-0.9 * (away - 1)), 1e-4)
    families = {f for c in catalogue.cores for f in c.engine_families}
    if submission.engine_family in families:
        others = max(1, len(families) - 1)
        if core is None:
            chance *= 1 / (others + 1)
        elif submission.engine_family in core.engine_families:
            chance *= model.family_right / sum(submission.engine_family in c.engine_families for c in catalogue.cores)
        else:
            chance *= (1 - model.family_right) / others
    return chance


def _nonsense(entries: list[Noise], catalogue: Catalogue, submission: Submission, model: MeasuringModel) -> float:
    total = 1.0
    for e in entries:
        total *= math.exp(e.spread)
        if e.reading.feature is Feature.ZERO_CHECK and e.tool is not None:
            total *= stats.norm.pdf(e.value, 0, 10 * max(model.tools[e.tool].zero_sd, e.sd))
        else:
            total /= max(abs(e.value), 1e-3) * math.log(1e4)
    if submission.gear_teeth is not None:
        total /= 100
    if submission.engine_family in {f for c in catalogue.cores for f in c.engine_families}:
        total /= 20
    return total


def _density(shaft: _Shaft, integrator: Integrator, entries: list[Noise], model: MeasuringModel) -> float:
    if shaft.single_lift is None:
        return integrator.density(shaft.truth)
    low, high = _lift_range(entries, model)
    step = 1.4 * model.lift_making_sd  # the lobes' own making and hand make the integrand wider than that
    total = 0.0
    for lift in np.arange(low, high + step, step):
        lobes = {k: replace(t, lift=float(lift)) for k, t in shaft.truth.lobes.items()}
        weight = step * sum(
            share * float(stats.norm.pdf(lift, middle, width)) for share, middle, width in shaft.single_lift
        )
        total += weight * integrator.density(replace(shaft.truth, lobes=lobes))
    return total


def _lift_range(entries: list[Noise], model: MeasuringModel) -> tuple[float, float]:
    """Where a lift shared by both lobes may lie: about what the lobe that says most says."""
    spans = []
    for lobe in LobeKind:
        of = [e for e in entries if e.reading.lobe is lobe]
        values = [e.value for e in of if e.reading.feature in LIFTS]
        high = [e for e in of if e.reading.feature is Feature.LOBE_HEIGHT]
        base = [e for e in of if e.reading.feature is Feature.BASE_CIRCLE]
        if high and base:
            values.append(high[0].value - base[0].value)
        reach = max(0.06, *(5 * e.sd + 8 * e.tail + 5 * e.ratio_error * model.valve_ratio_sd for e in of))
        spans.append((min(values) - reach, max(values) + 2 * reach))
    return max(s[0] for s in spans), min(s[1] for s in spans)


def shows_both_lifts(submission: Submission) -> bool:
    """Whether both kinds of lobe show a lift, so that a stranger's being of a single pattern matters."""
    for lobe in LobeKind:
        read = {r.feature for r in submission.readings if r.lobe is lobe}
        if not read & set(LIFTS) and not {Feature.LOBE_HEIGHT, Feature.BASE_CIRCLE} <= read:
            return False
    return True


def reference_posterior(catalogue: Catalogue, submission: Submission, model: MeasuringModel) -> Reference:
    """The posterior of the stated model, by brute force."""
    used = submission.condition is not Condition.NEW
    slips = list(_slips(submission, model))
    hypotheses = [_Meant(None, 1 - sum(s.prior for s in slips), submission)]
    hypotheses += [s for s in slips if s.prior > 1e-9]
    part = {p.part_number: 0.0 for p in catalogue.parts}
    reground = dict(part)
    slip: dict[Slip, float] = {}
    outside = 0.0
    for meant in hypotheses:
        for level, share in model.hand_levels:
            entries = [noise_of(r, meant.submission, model, level) for r in meant.submission.readings]
            if meant.misread is not None:
                entries[meant.misread] = replace(entries[meant.misread], tail=GROOVE_MEAN_MM, sign=-1)
            found = 0.0
            integrator = Integrator(entries, model, used, model.lift_making_sd)
            for shaft in _shafts(catalogue, model, used, shows_both_lifts(meant.submission)):
                weight = meant.prior * share * shaft.prior * _counts(shaft.core, catalogue, submission, model)
                weight *= _density(shaft, integrator, entries, model)
                found += weight
                if shaft.part is None:
                    outside += weight
                else:
                    part[shaft.part] += weight
                    reground[shaft.part] += weight if shaft.reground else 0.0
            if meant.slip is None:
                nonsense = _nonsense(entries, catalogue, submission, model)
                weight = share * model.unexplained_prior * nonsense * meant.prior
                outside += weight
                found += weight
            else:
                slip[meant.slip] = slip.get(meant.slip, 0.0) + found
    total = sum(part.values()) + outside
    return Reference(
        {k: v / total for k, v in part.items()},
        {k: v / total for k, v in reground.items()},
        outside / total,
        {k: v / total for k, v in slip.items()},
    )
