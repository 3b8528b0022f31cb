"""What could be asked for next, and what taking it costs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np

from service.domain.arrays import Floats, Ints
from service.domain.readings import (
    DEFAULT_INCLUDED_ANGLE,
    At,
    Degrees,
    Experience,
    Feature,
    Instrument,
    LobeKind,
    Position,
    Reading,
    Submission,
    Written,
)
from service.identification.catalogue_table.rows import Kind
from service.identification.catalogue_table.table import LOBES, POSITIONS
from service.identification.posterior import Posterior

GEAR_TEETH = "gear_teeth"

_COST_BITS: dict[Instrument | None, float] = {
    None: 0.02,
    Instrument.DIGITAL_CALIPER: 0.04,
    Instrument.DIAL_CALIPER: 0.04,
    Instrument.VERNIER_CALIPER: 0.05,
    Instrument.OUTSIDE_MICROMETER: 0.06,
    Instrument.DIAL_INDICATOR: 0.15,
    Instrument.DEGREE_WHEEL: 0.20,
    Instrument.PROTRACTOR: 0.18,
    Instrument.BENCH: 0.05,
}
"""What taking a reading costs, in bits of answer it must bring to be worth asking (a judgement, to be tuned)."""
_NOT_AT_HAND_BITS = 0.15
"""Added when the caller has not said they have the tool."""
_ZERO_CHECK_BITS = 0.0
TWO_PLACES_BITS = 0.04
"""Added for a flank width: two places, a square, and a shaft to be held fast."""
_FIRST_TIME_BITS = 0.3
"""Added to all but plain widths and counts for who measures for the first time."""
_LEADING = 10


@dataclass(frozen=True, eq=False)
class Option:
    """A reading that could be asked for: a template of it (its value means nothing), or a count (`reading` None)."""

    feature: str
    instrument: Instrument | None
    cost_bits: float
    reading: Reading | None = None


@dataclass(frozen=True, eq=False)
class Leading:
    """The rows worth telling apart: indices (R,), their shares (R,), and the side of the answer each is on (R,)."""

    rows: Ints
    share: Floats
    side: Ints


def leading(posterior: Posterior) -> Leading:
    """The likeliest rows that say anything."""
    weight = posterior.row_probability
    side = posterior.row_class
    solid = posterior.rows.kind != Kind.NONSENSE
    order = np.argsort(-np.where(solid, weight, 0.0), kind="stable")[:_LEADING]
    order = order[weight[order] > 1e-4]
    share = weight[order] / max(float(weight[order].sum()), 1e-300)
    return Leading(order, share, side[order])


def tools_of(submission: Submission) -> set[Instrument]:
    """The tools the caller is known to have."""
    if submission.tools is not None:
        return set(submission.tools)
    used = {r.instrument for r in submission.readings if r.instrument} | {submission.instrument}
    found = {t for t in used if t is not None}
    return found or {Instrument.DIGITAL_CALIPER}


def cost_of(tool: Instrument | None, tools: set[Instrument]) -> float:
    """What a reading with `tool` costs a caller who has `tools`, in bits of answer it must bring."""
    return _COST_BITS[tool] + (0.0 if tool is None or tool in tools else _NOT_AT_HAND_BITS)


_CALIPERS = (Instrument.DIGITAL_CALIPER, Instrument.DIAL_CALIPER, Instrument.VERNIER_CALIPER)


def _width_tools(tools: set[Instrument]) -> list[Instrument]:
    """The width tools to offer: what is at hand, and a micrometer, which a journal sometimes needs."""
    at_hand = [t for t in _CALIPERS if t in tools][:1] or [Instrument.DIGITAL_CALIPER]
    return [*at_hand, Instrument.OUTSIDE_MICROMETER]


def _template(feature: Feature, tool: Instrument, **qualifiers: object) -> Reading:
    # the value is a placeholder; only the tool and the qualifiers matter for how well it would be read
    return replace(Reading(feature, (Written(Decimal(1)),), tool), **qualifiers)  # type: ignore[arg-type]


def _read(submission: Submission) -> set[tuple[object, ...]]:
    """What has been read already: (feature, lobe, position, instrument)."""
    return {(r.feature, r.lobe, r.position, submission.instrument_of(r)) for r in submission.readings}


def _lobe_kinds(posterior: Posterior, rows: Ints) -> list[LobeKind]:
    lift = posterior.rows.lift[rows]
    return [kind for k, kind in enumerate(LOBES) if np.isfinite(lift[:, k]).any()]


def width_options(
    posterior: Posterior, submission: Submission, lead: Leading, tools: set[Instrument]
) -> Iterator[Option]:
    """Widths not read yet, or not with a micrometer."""
    read = _read(submission)
    cores = np.unique(posterior.rows.core[lead.rows])
    cores = cores[cores >= 0]
    places: list[tuple[Feature, Position | None, LobeKind | None]] = []
    for k, position in enumerate(POSITIONS):
        if cores.size and np.isfinite(posterior.table.journal[cores, k]).any():
            places.append((Feature.JOURNAL_DIAMETER, position, None))
    for kind in _lobe_kinds(posterior, lead.rows):
        places += [(Feature.LOBE_HEIGHT, None, kind), (Feature.BASE_CIRCLE, None, kind)]
    if cores.size and np.isfinite(posterior.table.length[cores]).any():
        places.append((Feature.OVERALL_LENGTH, None, None))
    for feature, where, lobe in places:
        taken = {key[3] for key in read if key[:3] == (feature, lobe, where)}
        for tool in _width_tools(tools):
            fine = tool is Instrument.OUTSIDE_MICROMETER
            better = fine and tool not in taken and feature is not Feature.OVERALL_LENGTH
            if better if taken else not fine:
                yield Option(feature, tool, cost_of(tool, tools), _template(feature, tool, position=where, lobe=lobe))


def other_options(
    posterior: Posterior, submission: Submission, lead: Leading, tools: set[Instrument]
) -> Iterator[Option]:
    """All else: lifts, flanks, timing, counts, and the tools' zeros."""
    table = posterior.table
    read = {key[:2] for key in _read(submission)}
    parts = posterior.rows.part[lead.rows]
    parts = parts[parts >= 0]
    hard = _FIRST_TIME_BITS if submission.experience is Experience.FIRST_TIME else 0.0
    for kind in _lobe_kinds(posterior, lead.rows):
        if (Feature.LOBE_LIFT, kind) not in read:
            tool = Instrument.DIAL_INDICATOR
            template = _template(Feature.LOBE_LIFT, tool, lobe=kind)
            yield Option(Feature.LOBE_LIFT, tool, cost_of(tool, tools) + hard, template)
        if (Feature.FLANK_WIDTH, kind) not in read:
            tool = _width_tools(tools)[0]
            template = _template(Feature.FLANK_WIDTH, tool, lobe=kind, included_angle_deg=DEFAULT_INCLUDED_ANGLE)
            yield Option(Feature.FLANK_WIDTH, tool, cost_of(tool, tools) + TWO_PLACES_BITS + hard, template)
        stated = table.duration_at[parts, LOBES.index(kind)].ravel()
        stated = stated[np.isfinite(stated)]
        if stated.size and (Feature.DURATION, kind) not in read:
            lifts, counts = np.unique(stated.round(4), return_counts=True)
            checking = Decimal(repr(float(lifts[counts.argmax()]))) / submission.unit.mm
            tool = Instrument.DEGREE_WHEEL
            template = _template(
                Feature.DURATION, tool, lobe=kind, checking_lift=checking, degrees=Degrees.CRANK, at=At.LOBE
            )
            yield Option(Feature.DURATION, tool, cost_of(tool, tools) + hard, template)
    if parts.size and np.isfinite(table.separation[parts]).any() and (Feature.LOBE_SEPARATION, None) not in read:
        tool = Instrument.DEGREE_WHEEL
        yield Option(
            Feature.LOBE_SEPARATION, tool, cost_of(tool, tools) + hard, _template(Feature.LOBE_SEPARATION, tool)
        )
    if submission.gear_teeth is None and np.unique(table.teeth[posterior.rows.core[lead.rows]]).size > 1:
        yield Option(GEAR_TEETH, None, cost_of(None, tools))
    checked = {submission.instrument_of(r) for r in submission.readings if r.feature is Feature.ZERO_CHECK}
    zeroed = {e.tool for e in posterior.entries[0][0] if e.tool is not None} - checked
    for used in sorted(zeroed, key=str):
        yield Option(
            Feature.ZERO_CHECK, used, _ZERO_CHECK_BITS, _template(Feature.ZERO_CHECK, used, reference=Decimal(0))
        )
