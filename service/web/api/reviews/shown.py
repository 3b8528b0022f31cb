"""Reviews, decisions and notes as JSON."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from service.domain.review import Decision, ReviewState
from service.workflows.cases.queue import AGE_BOUNDS_S
from service.workflows.ports.cases import FoundCase, Note
from service.workflows.ports.reviews import QueueCount, Review

Json = dict[str, Any]


def moment(at: datetime | None) -> str | None:
    """A moment as it is sent."""
    return None if at is None else at.isoformat()


def review_json(review: Review) -> Json:
    """A review as JSON."""
    claim = review.claim
    return {
        "id": str(review.id),
        "submission_id": str(review.submission_id),
        "reference": review.reference,
        "source": review.source,
        "state": review.state.value,
        "reason": review.reason.value,
        "second_look": review.second_look,
        "priority": review.priority.name.lower(),
        "skill": review.skill,
        "opened_at": moment(review.opened_at),
        "due_at": moment(review.due_at),
        "assigned_to": review.assigned_to,
        "settled_at": moment(review.settled_at),
        "claim": None
        if claim is None
        else {
            "by": claim.by,
            "at": moment(claim.at),
            "until": moment(claim.until),
            "lease_seconds": claim.lease_s,
        },
    }


def decision_json(decision: Decision) -> Json:
    """A decision as JSON, for staff."""
    verdict = decision.verdict
    return {
        "id": str(decision.id),
        "review_id": None if decision.review_id is None else str(decision.review_id),
        "second_look": decision.second_look,
        "round": decision.round,
        "outcome": verdict.outcome.value,
        "part_number": verdict.part_number,
        "confidence": verdict.confidence.value,
        "reason": verdict.reason,
        "catalogue_revision": decision.catalogue_revision,
        "by": decision.by,
        "at": moment(decision.at),
    }


def note_json(note: Note) -> Json:
    """A note as JSON."""
    return {"id": str(note.id), "text": note.text, "by": note.by, "at": moment(note.at)}


def found_json(case: FoundCase) -> Json:
    """A case in a list, as JSON, for staff."""
    return {
        "id": str(case.id),
        "reference": case.reference,
        "source": case.source,
        "state": case.state,
        "contact": {"name": case.name, "email": case.email, "phone": case.phone},
        "leading_part": case.leading_part,
        "decided_part": case.decided,
        "opened_at": moment(case.opened_at),
        "changed_at": moment(case.changed_at),
        "closed_at": moment(case.closed_at),
        "closed_why": None if case.closed_why is None else case.closed_why.value,
    }


def counts_json(counts: tuple[QueueCount, ...]) -> Json:
    """The queue in numbers, as JSON: every state and every age band, also where there is none."""
    return {"states": [_state_json(state, counts) for state in ReviewState]}


def _state_json(state: ReviewState, counts: tuple[QueueCount, ...]) -> Json:
    of_state = [count for count in counts if count.state is state]
    by_age = {count.age: count.reviews for count in of_state}
    starts = (0.0, *AGE_BOUNDS_S)
    ends: tuple[float | None, ...] = (*AGE_BOUNDS_S, None)
    return {
        "state": state.value,
        "reviews": sum(count.reviews for count in of_state),
        "overdue": sum(count.overdue for count in of_state),
        "oldest_opened_at": moment(min((count.oldest for count in of_state), default=None)),
        "by_age": [
            {"from_seconds": start, "to_seconds": end, "reviews": by_age.get(age, 0)}
            for age, (start, end) in enumerate(zip(starts, ends, strict=True))
        ],
    }
