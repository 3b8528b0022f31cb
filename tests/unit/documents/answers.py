"""Identifications with made-up evidence, for tests of what is drawn and written from them."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from service.domain.identification import AnswerState, Candidate, Evidence, Identification
from service.domain.readings import At, Degrees, LobeKind, Submission
from service.identification.answer.budget import derived_quantities
from service.identification.measuring.model import DEFAULT_MODEL
from tests.submissions import MICROMETER, base, height, journal, reading, submission

SPREAD = 0.03
"""Every made-up reading's expected spread, mm or degrees."""


def made_up_evidence(sent: Submission, expected: Mapping[int, float]) -> tuple[Evidence, ...]:
    """A row for every reading, with the sizes `expected` by index in the submission's own unit; none for the rest."""
    rows = [Evidence("prior", -2.3, is_length=False)]
    for index, entry in enumerate(sent.readings):
        unit = 1.0 if entry.feature.is_angle else float(sent.unit.mm)
        said: dict[str, Any] = {"is_length": not entry.feature.is_angle, "measured": float(entry.mean) * unit}
        if index in expected:
            size = expected[index] * unit
            said |= {"expected": size, "difference": said["measured"] - size, "expected_spread": SPREAD}
        rows.append(Evidence(f"/readings/{index}", 0.5 + index, **said))
    if sent.gear_teeth is not None:
        teeth = float(sent.gear_teeth)
        rows.append(Evidence("/counts/gear_teeth", 0.9, False, teeth, 28.0, teeth - 28))
    if sent.engine_family is not None:
        rows.append(Evidence("/engine_family", 1.1, is_length=False))
    return tuple(rows)


def candidate(part_number: str, probability: float, evidence: tuple[Evidence, ...] = (), **said: Any) -> Candidate:
    given = {"same_as": (), "core": "RW", "reground_probability": 0.02, "evidence": evidence} | said
    return Candidate(part_number=part_number, probability=probability, **given)


def identification(sent: Submission, *candidates: Candidate, **said: Any) -> Identification:
    found = sum(c.probability for c in candidates)
    given: dict[str, Any] = {
        "state": AnswerState.IDENTIFIED,
        "candidates": candidates,
        "not_in_catalogue_probability": max(0.0, 1 - found),
        "left_off_probability": 0.0,
        "credible_set": tuple(c.part_number for c in candidates[:1]),
        "derived": derived_quantities(sent, DEFAULT_MODEL),
        "suspected_slips": (),
        "next_reading": None,
        "advice": (),
        "ask_cheaply": False,
        "engine_version": "1.0",
    }
    return Identification(**given | said)


def typical() -> tuple[Submission, Identification]:
    """Six readings and a count of one shaft, and two candidates of which the first fits."""
    sent = submission(
        journal("0.7495", "0.7500"),
        height("1.1725"),
        base("0.8605", instrument=MICROMETER),
        height("1.1690", lobe=LobeKind.EXHAUST),
        base("0.8610", lobe=LobeKind.EXHAUST),
        reading(
            "duration", "231", lobe=LobeKind.INTAKE, checking_lift=Decimal("0.050"), degrees=Degrees.CRANK, at=At.LOBE
        ),
        gear_teeth=28,
    )
    first = {0: 0.7500, 1: 1.1740, 2: 0.8610, 3: 1.1700, 4: 0.8610, 5: 231.05}
    second = {0: 0.7500, 1: 1.1620, 2: 0.8610, 3: 1.1500, 4: 0.8610}
    return sent, identification(
        sent,
        candidate("WREN 7-31", 0.981, made_up_evidence(sent, first), same_as=("WREN 7-13",)),
        candidate("WREN 7-30", 0.012, made_up_evidence(sent, second)),
    )
