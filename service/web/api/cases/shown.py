"""A case's file as JSON."""

from __future__ import annotations

from typing import Any

from service.domain.access import Role
from service.domain.review import Outcome
from service.web.api.lift_tables.kept import kept_json
from service.web.api.reviews.shown import decision_json, moment, note_json
from service.web.api.submissions.answer import answer_json, probability
from service.workflows.cases.find_cases import CaseFile
from service.workflows.ports.cases import Confirmation, Round
from service.workflows.ports.reviews import TrailEntry

Json = dict[str, Any]


def case_file_json(file: CaseFile, role: Role) -> Json:
    """All there is about one case."""
    case = file.case
    return {
        "id": str(case.id),
        "reference": case.reference,
        "submission": answer_json(case, role),
        "closed_at": moment(case.closed_at),
        "closed_why": None if case.closed_why is None else case.closed_why.value,
        "merged_into": None if case.merged_into is None else str(case.merged_into),
        "order_reference": case.order_reference,
        "rounds": [_round_json(one) for one in file.rounds],
        "decisions": [decision_json(decision) for decision in file.decisions],
        "notes": [note_json(note) for note in file.notes],
        "confirmations": [confirmation_json(confirmation) for confirmation in file.confirmations],
        "lift_tables": [kept_json(kept) for kept in file.lift_tables],
        "trail": [trail_json(entry) for entry in file.trail],
    }


def confirmation_json(confirmation: Confirmation) -> Json:
    """What a shaft turned out to be."""
    outcome = Outcome.NOT_IN_CATALOGUE if confirmation.part_number is None else Outcome.PART
    return {
        "id": str(confirmation.id),
        "source": confirmation.source.value,
        "outcome": outcome.value,
        "part_number": confirmation.part_number,
        "note": confirmation.note,
        "by": confirmation.by,
        "at": moment(confirmation.at),
    }


def trail_json(entry: TrailEntry) -> Json:
    """One thing somebody saw or changed."""
    return {
        "at": moment(entry.at),
        "who": entry.who,
        "action": entry.action,
        "submission_id": None if entry.submission_id is None else str(entry.submission_id),
        "details": entry.details,
    }


def _round_json(one: Round) -> Json:
    answer = one.identification
    leading = answer.candidates[0] if answer.candidates else None
    return {
        "number": one.number,
        "readings": one.readings,
        "state": answer.state.value,
        "leading_part": None if leading is None else leading.part_number,
        "probability": None if leading is None else probability(leading.probability),
        "asked_for": None if answer.next_reading is None else answer.next_reading.message,
        "engine_version": answer.engine_version,
        "catalogue_revision": one.catalogue_revision,
        "answered_at": moment(one.answered_at),
    }
