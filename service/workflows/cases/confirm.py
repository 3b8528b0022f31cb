"""The truth about a case, when it comes out: the box is found, the bench measures it, the customer sends it back."""

from __future__ import annotations

from service.domain.casework import ConfirmationSource
from service.workflows.cases.queue import Hand
from service.workflows.cases.verdicts import part_named
from service.workflows.catalogue.read_catalogue import active_revision
from service.workflows.identifying.identify import check_not_merged
from service.workflows.ports.cases import Confirmation
from service.workflows.ports.stores import Case, Transaction


def confirm(
    transaction: Transaction,
    hand: Hand,
    case: Case,
    source: ConfirmationSource,
    part_number: str | None,
    note: str | None,
) -> Confirmation:
    """Keep what a held case's shaft turned out to be: a part, superseded or not, or None for nobody's here.

    The newest confirmation of a case holds. Raises `InvalidInput` for a part the catalogue does not have, `Conflict`
    for a merged case.
    """
    key, by = hand.key, hand.by
    check_not_merged(case, "confirm that one")
    if part_number is not None:
        part_named(transaction, active_revision(transaction), part_number)
    kept = transaction.cases.confirm(case.id, source, part_number, note, key.id, by)
    transaction.submissions.touch(case.id)
    transaction.trail.add(key.id, by, "case_confirmed", case.id, source=source.value)
    return kept
