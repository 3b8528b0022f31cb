"""Which part numbers a person may name: those of the active catalogue that stand for themselves."""

from __future__ import annotations

from service.domain.catalogue import Part, PartStatus
from service.domain.errors import Fault, InvalidInput
from service.domain.review import Verdict
from service.workflows.catalogue.read_catalogue import active_revision
from service.workflows.ports.stores import Transaction


def check_verdict(transaction: Transaction, verdict: Verdict) -> int:
    """The catalogue revision that a verdict is given under.

    Raises `InvalidInput` for a part that is not in the catalogue, or has been superseded: its successor is named.
    """
    revision = active_revision(transaction)
    if verdict.part_number is not None:
        part = part_named(transaction, revision, verdict.part_number)
        if part.status is PartStatus.SUPERSEDED and part.superseded_by is not None:
            detail = f"{part.part_number} has been superseded; decide for {part.superseded_by}."
            raise InvalidInput(faults=(Fault("/part_number", detail),))
    return revision


def part_named(transaction: Transaction, revision: int, part_number: str) -> Part:
    """A part of a catalogue revision; raises `InvalidInput` where it has none such."""
    part = transaction.catalogue.part(revision, part_number)
    if part is None:
        detail = f"The catalogue (revision {revision}) has no part of this number."
        raise InvalidInput(faults=(Fault("/part_number", detail),))
    return part
