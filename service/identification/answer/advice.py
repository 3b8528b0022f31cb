"""What the caller should know besides the answer: each with a stable code and words to read aloud."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from service.domain.identification import Advice, AnswerState, NextReading, Slip, SuspectedSlip
from service.domain.readings import Feature, Instrument, Submission
from service.identification.answer.asking import words_for_slip
from service.identification.answer.decision import Standing
from service.identification.entries.valve_events import weighed_events
from service.identification.posterior import Posterior

_WORTH_RAISING = 0.15
"""A slip less likely than this is not put to the caller."""
_MICROMETER_GAP_MM = 0.0762
"""Cores whose journals differ by less than 0.003 in want a micrometer (common practice, no source)."""


def suspected_slips(posterior: Posterior, submission: Submission) -> tuple[SuspectedSlip, ...]:
    """The slips worth raising, likeliest first; the probability is of that slip at that place."""
    chance: dict[tuple[Slip, str], float] = {}
    best: dict[tuple[Slip, str], tuple[float, int]] = {}
    for i, (slip, p) in enumerate(zip(posterior.slips, posterior.slip_probability, strict=True)):
        if slip.slip is None:
            continue
        key = (slip.slip, slip.pointer)
        chance[key] = chance.get(key, 0.0) + float(p)
        best[key] = max(best.get(key, (0.0, i)), (float(p), i))
    found = []
    for (named, pointer), p in sorted(chance.items(), key=lambda item: -item[1]):
        if p < _WORTH_RAISING:
            break
        hypothesis = posterior.slips[best[named, pointer][1]]
        index = int(pointer.rsplit("/", 1)[1]) if pointer.startswith("/readings/") else None
        written = submission.readings[index] if index is not None else None
        meant = hypothesis.changed.get(index) if index is not None else None
        words = words_for_slip(named, written, meant, submission.unit, alone=len(hypothesis.changed) == 1)
        unit = submission.unit.other if hypothesis.other_unit else None
        changed = tuple((i, hypothesis.changed[i]) for i in sorted(hypothesis.changed))
        found.append(SuspectedSlip(named, pointer, p, words, changed, unit))
    return tuple(found)


def _of_submission(posterior: Posterior, submission: Submission) -> Iterator[Advice]:
    if submission.markings:
        yield Advice(
            "marking_not_evidence",
            "Numbers cast or stamped on a shaft are its core maker's or an engine builder's: kept, never searched by.",
            "/markings",
        )
    claim = (submission.engine_family or "").strip()
    if claim and claim.casefold() not in posterior.table.families:
        yield Advice(
            "engine_family_unknown",
            f"No core in the catalogue is listed for {claim}; the readings alone were used.",
            "/engine_family",
        )
    weighed = weighed_events(submission, posterior.model).used
    for i, reading in enumerate(submission.readings):
        if reading.feature is Feature.VALVE_EVENT and i not in weighed:
            yield Advice(
                "reading_kept_not_weighed",
                "A valve event is weighed with the lobe's other one, at the same checking lift; this one is only kept.",
                f"/readings/{i}",
            )


def _of_readings(submission: Submission) -> Iterator[Advice]:
    features = {r.feature for r in submission.readings}
    if Feature.JOURNAL_DIAMETER not in features:
        yield Advice("no_journal", "No journal was measured: the core is only guessed from the lobes.")
    heights: dict[tuple[object, object], tuple[float, int]] = {}
    bases: dict[tuple[object, object], float] = {}
    for i, r in enumerate(submission.readings):
        key = (r.lobe, r.cylinder)
        if r.feature is Feature.LOBE_HEIGHT:
            heights.setdefault(key, (float(r.mean), i))
        elif r.feature is Feature.BASE_CIRCLE:
            bases.setdefault(key, float(r.mean))
    for lobe, (height, index) in heights.items():
        if lobe in bases and height <= bases[lobe]:
            yield Advice(
                "height_not_above_base",
                f"The {lobe[0]} lobe's height is not above its base circle; read both again.",
                f"/readings/{index}",
            )


def _of_answer(
    posterior: Posterior, standing: Standing, state: AnswerState, asked: NextReading | None, submission: Submission
) -> Iterator[Advice]:
    if standing.reground.size and standing.reground[0] > 0.5:
        yield Advice("looks_reground", "The base circle is under size while the lift fits: the shaft looks reground.")
    senseless = standing.nonsense > 0.5
    if senseless:
        yield Advice("readings_do_not_fit", "The readings do not hang together as one shaft; take them again.")
    cores = np.unique(posterior.table.core_of[_lead_parts(posterior, standing)])
    journals = posterior.table.journal[cores]
    calipers = not any(submission.instrument_of(r) is Instrument.OUTSIDE_MICROMETER for r in submission.readings)
    if cores.size > 1 and state is not AnswerState.IDENTIFIED and calipers:
        away = np.abs(journals[:, None, :] - journals[None, :, :])
        largest = np.nanmax(np.where(np.isfinite(away), away, 0.0), axis=2)[np.triu_indices(cores.size, 1)]
        if ((largest > 0) & (largest < _MICROMETER_GAP_MM)).any():
            yield Advice(
                "use_a_micrometer",
                "The cores in question differ too little for a caliper: measure a journal with a micrometer.",
            )
    if state is not AnswerState.IDENTIFIED and asked is None and not senseless:
        yield Advice(
            "send_it_in",
            "No reading that can be taken by hand is likely to settle this: send the shaft in, or let a person look.",
        )


def _lead_parts(posterior: Posterior, standing: Standing) -> list[int]:
    """One part of each of the leading classes."""
    of = posterior.row_class
    lead = standing.order[standing.probability > 0.02]
    return [int(posterior.rows.part[np.flatnonzero(of == c)[0]]) for c in lead]


def advice(
    posterior: Posterior, standing: Standing, state: AnswerState, asked: NextReading | None, submission: Submission
) -> tuple[Advice, ...]:
    """All the advice there is, in a fixed order."""
    return (
        *_of_submission(posterior, submission),
        *_of_readings(submission),
        *_of_answer(posterior, standing, state, asked, submission),
    )
