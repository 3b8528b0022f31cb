"""An answer as JSON: lengths in the caller's unit, weights rounded, nothing a widget's customer may not see."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from service.domain.access import STAFF, Role
from service.domain.cautions import CAUTIONS
from service.domain.identification import Candidate, Derived, Evidence, Identification, NextReading, SuspectedSlip
from service.domain.readings import Reading, Submission
from service.domain.review import Decision, ReviewState
from service.domain.units import LengthUnit
from service.workflows.ports.stores import Case

Json = dict[str, Any]


def said_of(submission: Submission, answer: Identification, catalogue_revision: int, role: Role) -> Json:
    """What an identification says of a submission, as a key with `role` may see it."""
    unit, staff = submission.unit, role in STAFF
    return {
        "state": answer.state.value,
        "unit": unit.value,
        "catalogue_revision": catalogue_revision,
        "engine_version": answer.engine_version,
        "answer": _named(answer),
        "candidates": [_candidate(candidate, unit, with_evidence=staff) for candidate in answer.candidates],
        "credible_set": list(answer.credible_set),
        "not_in_catalogue_probability": probability(answer.not_in_catalogue_probability),
        "left_off_probability": probability(answer.left_off_probability),
        "derived": [_derived(derived, unit) for derived in answer.derived],
        "suspected_slips": [
            {
                "slip": slip.slip.value,
                "pointer": slip.pointer,
                "probability": probability(slip.probability),
                "message": slip.message,
                "correction": _correction(slip, submission),
            }
            for slip in answer.suspected_slips
        ],
        "next_reading": None if answer.next_reading is None else _next_reading(answer.next_reading, unit),
        "advice": [
            {"code": advice.code, "message": advice.message}
            | ({} if advice.pointer is None else {"pointer": advice.pointer})
            for advice in answer.advice
        ],
        "cautions": list(CAUTIONS),
    }


def answer_json(case: Case, role: Role) -> Json:
    """The answer to a case, as a key with `role` may see it."""
    staff = role in STAFF
    return said_of(case.submission, case.latest.identification, case.latest.catalogue_revision, role) | {
        "id": str(case.id),
        "reference": case.reference,
        "review": None
        if case.review is None
        else {"id": str(case.review.id), "state": case.review.state.value, "reason": case.review.reason.value},
        "decision": None if case.decision is None else _decision(case.decision, staff=staff),
        "expected_reply_at": _expected_reply(case),
        "closed_at": None if case.closed_at is None else case.closed_at.isoformat(),
        "closed_why": _value(case.closed_why),
        "round": case.latest.number,
        **({"customer_sees": _customer_sees(case)} if staff else {}),
        "submission": submission_json(case.submission, staff=staff),
        "opened_at": case.opened_at.isoformat(),
        "answered_at": case.latest.answered_at.isoformat(),
    }


def _decision(decision: Decision, *, staff: bool) -> Json:
    """What a person decided; who it was and why is for staff."""
    verdict = decision.verdict
    shown: Json = {
        "outcome": verdict.outcome.value,
        "part_number": verdict.part_number,
        "confidence": verdict.confidence.value,
        "at": decision.at.isoformat(),
    }
    return shown | ({"by": decision.by, "reason": verdict.reason} if staff else {})


def _customer_sees(case: Case) -> Json | None:
    """What the customer goes on seeing while the latest answer waits for a person; None where they see it."""
    if case.told is None:
        return None
    answer = case.told.round.identification
    return {
        "round": case.told.round.number,
        "state": answer.state.value,
        "part_number": answer.candidates[0].part_number if answer.candidates else None,
        "catalogue_revision": case.told.round.catalogue_revision,
    }


def _expected_reply(case: Case) -> str | None:
    """When a person answers, while somebody waits for one."""
    review = case.review
    waits = review is not None and review.state in (ReviewState.WAITING, ReviewState.CLAIMED)
    return review.due_at.isoformat() if review is not None and waits else None


def probability(value: float) -> float:
    """A probability to six decimals, never outside [0, 1] for a last bit's sake."""
    return min(max(round(float(value), 6), 0.0), 1.0)


def _named(answer: Identification) -> Json | None:
    if answer.state != "identified":
        return None
    best = answer.candidates[0]
    return {
        "part_number": best.part_number,
        "same_as": list(best.same_as),
        "probability": probability(best.probability),
    }


def _candidate(candidate: Candidate, unit: LengthUnit, *, with_evidence: bool) -> Json:
    shown: Json = {
        "part_number": candidate.part_number,
        "same_as": list(candidate.same_as),
        "core": candidate.core,
        "probability": probability(candidate.probability),
        "reground_probability": probability(candidate.reground_probability),
    }
    if with_evidence:
        shown["evidence"] = [_evidence(evidence, unit) for evidence in candidate.evidence]
    return shown


def _evidence(evidence: Evidence, unit: LengthUnit) -> Json:
    show = _count if evidence.pointer.startswith("/counts/") else _shower(unit, is_length=evidence.is_length)
    measured, expected = evidence.measured, evidence.expected
    difference, spread = evidence.difference, evidence.expected_spread
    return {
        "reading": evidence.pointer,
        "measured": None if measured is None else show(measured),
        "expected": None if expected is None else show(expected),
        "difference": None if difference is None else show(difference),
        "expected_spread": None if spread is None else show(spread),
        "bits": round(float(evidence.bits), 3) + 0.0,
    }


def _shower(unit: LengthUnit, *, is_length: bool) -> Callable[[float], str]:
    """Shows lengths in millimetres in `unit`, or degrees to a tenth."""
    return unit.show if is_length else _degrees


def _degrees(value: float) -> str:
    text = f"{value:.1f}"
    return text.lstrip("-") if float(text) == 0 else text


def _count(value: float) -> str:
    return f"{value:.0f}"


def _derived(derived: Derived, unit: LengthUnit) -> Json:
    show = _shower(unit, is_length=derived.is_length)
    return {
        "quantity": derived.quantity,
        "lobe": None if derived.lobe is None else derived.lobe.value,
        "cylinder": derived.cylinder,
        "value": show(derived.value),
        "corrected": show(derived.corrected),
        "standard_uncertainty": show(derived.standard_uncertainty),
        "interval": [show(end) for end in derived.interval],
        "budget": [
            {"component": line.component, "standard_uncertainty": show(line.standard_uncertainty)}
            for line in derived.budget
        ],
        "can_be": derived.can_be,
    }


def _correction(slip: SuspectedSlip, submission: Submission) -> Json | None:
    if not slip.meant and slip.meant_unit is None:
        return None
    return {
        "unit": _value(slip.meant_unit),
        "readings": [
            {"pointer": f"/readings/{place}", "reading": _reading(submission, reading)} for place, reading in slip.meant
        ],
    }


def _next_reading(reading: NextReading, unit: LengthUnit) -> Json:
    return {
        "feature": str(reading.feature),
        "instrument": _value(reading.instrument),
        "lobe": _value(reading.lobe),
        "cylinder": reading.cylinder,
        "position": _value(reading.position),
        "checking_lift": None if reading.checking_lift_mm is None else unit.show(reading.checking_lift_mm),
        "degrees": _value(reading.degrees),
        "expected_bits": round(float(reading.expected_bits), 3),
        "message": reading.message,
    }


def _value(choice: Any) -> Any:
    return None if choice is None else choice.value


def submission_json(submission: Submission, *, staff: bool) -> Json:
    """What was said, in the form in which it is sent; what was told in private for staff only."""
    shown: Json = {
        "source": submission.source.value,
        "readings": [_reading(submission, reading) for reading in submission.readings],
        "instrument": _value(submission.instrument),
        "experience": _value(submission.experience),
        "condition": _value(submission.condition),
        "engine_family": submission.engine_family,
        "counts": {} if submission.gear_teeth is None else {"gear_teeth": submission.gear_teeth},
        "tools": None if submission.tools is None else [tool.value for tool in submission.tools],
        "ask_person": submission.ask_person,
    }
    if staff:
        contact = submission.contact
        shown["markings"] = [{"place": marking.place, "text": marking.text} for marking in submission.markings]
        shown["note"] = submission.note
        shown["contact"] = (
            None if contact is None else {"name": contact.name, "email": contact.email, "phone": contact.phone}
        )
    return shown


_NAMED_APART = {"feature", "values", "instrument"}


def _reading(submission: Submission, reading: Reading) -> Json:
    qualifiers = {
        "included_angle" if name == "included_angle_deg" else name: str(value) if isinstance(value, Decimal) else value
        for name, value in vars(reading).items()
        if value is not None and name not in _NAMED_APART
    }
    return {
        "feature": reading.feature.value,
        "values": [str(value) for value in reading.values],
        "instrument": submission.instrument_of(reading).value,
    } | {name: getattr(value, "value", value) for name, value in qualifiers.items()}
