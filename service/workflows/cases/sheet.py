"""Everything a reviewer goes by, on one sheet."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from service.domain.errors import NotFound
from service.domain.review import Decision
from service.identification.look_alikes.look_alike_map import LookAlike
from service.workflows.cases.queue import find_review
from service.workflows.catalogue.look_alike_maps import LookAlikeMap
from service.workflows.ports.cases import FoundCase, Note
from service.workflows.ports.reviews import Review
from service.workflows.ports.stores import Case, KeyRecord, Stores

MOST_OF_HISTORY = 20
LEADING = 3
"""How many candidates' look-alikes are shown."""


@dataclass(frozen=True)
class ReviewSheet:
    """A review with its case, the same customer's other cases, and what the leading candidates are mistaken for."""

    review: Review
    case: Case
    history: tuple[FoundCase, ...]
    look_alikes: tuple[LookAlike, ...]
    decisions: tuple[Decision, ...]
    notes: tuple[Note, ...]


def review_sheet(stores: Stores, key: KeyRecord, review_id: UUID, look_alikes: LookAlikeMap) -> ReviewSheet:
    """The sheet of one review; that it was read is noted. Raises `NotFound`."""
    with stores.transaction() as transaction:
        review = find_review(transaction, review_id)
        case = transaction.submissions.find(review.submission_id)
        if case is None:
            raise NotFound
        transaction.trail.add(key.id, key.name, "case_read", case.id, review=str(review_id))
        history = transaction.cases.others_of(case.id, MOST_OF_HISTORY)
        decisions, notes = transaction.cases.decisions(case.id), transaction.cases.notes(case.id)
    leading = frozenset(candidate.part_number for candidate in case.latest.identification.candidates[:LEADING])
    alike = look_alikes.about(stores, case.latest.catalogue_revision, leading)
    return ReviewSheet(review, case, history, alike, decisions, notes)
