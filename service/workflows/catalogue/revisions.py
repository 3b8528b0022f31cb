"""What is done with whole revisions of the catalogue: compared, written out, gone back to."""

from __future__ import annotations

from service.catalogue_files.difference import Change, difference
from service.catalogue_files.rows import OnProgress
from service.domain.catalogue import Catalogue
from service.domain.errors import Conflict
from service.workflows.catalogue.read_catalogue import active_number, active_revision, found_revision
from service.workflows.ports.catalogue import CatalogueRevision
from service.workflows.ports.stores import Stores, Transaction

_PARTS_A_STEP = 5000


def is_revision(transaction: Transaction, number: int, catalogue: Catalogue) -> bool:
    """Whether a revision that there is holds this very catalogue, row for row in this order.

    It is read a step at a time and no further than to the first difference, so that a large one fits.
    """
    revision = found_revision(transaction, number)
    if (revision.cores, revision.parts) != (len(catalogue.cores), len(catalogue.parts)):
        return False
    if transaction.catalogue.cores(number) != catalogue.cores:
        return False
    after = -1
    for start in range(0, len(catalogue.parts), _PARTS_A_STEP):
        step = transaction.catalogue.find_parts(
            number, core=None, status=None, beginning=None, after=after, limit=_PARTS_A_STEP
        )
        if tuple(part for _, part in step) != catalogue.parts[start : start + _PARTS_A_STEP]:
            return False
        after = step[-1][0]
    return True


def publish_revision(
    transaction: Transaction, catalogue: Catalogue, *, who: str, why: str, told: OnProgress | None = None
) -> int:
    """Keep a checked catalogue as a new revision and make it the active one, however it came; returns its number.

    Cases identified under others are asked again by a worker (`reidentify.py`).
    """
    revision = transaction.catalogue.add_revision(catalogue, made_by=who, reason=why, told=told)
    transaction.reidentifications.begin(revision)
    return revision


def publish_changed(
    transaction: Transaction, catalogue: Catalogue, old: int, before: Catalogue, *, who: str, why: str
) -> int:
    """`publish_revision` of a catalogue that has most of its cores and parts from `before`, the revision `old`."""
    revision = transaction.catalogue.add_changed(catalogue, old, before, made_by=who, reason=why)
    transaction.reidentifications.begin(revision)
    return revision


def active_catalogue(stores: Stores) -> tuple[int, Catalogue]:
    """The active revision's number and all of it; raises `Unavailable` before the first import."""
    revision = active_number(stores)
    return revision, whole_revision(stores, revision)


def whole_revision(stores: Stores, number: int) -> Catalogue:
    """All of a revision that there is."""
    with stores.transaction() as transaction:
        return transaction.catalogue.load(number)


def compare_revisions(stores: Stores, start: int, end: int) -> tuple[Change, ...]:
    """What became of the catalogue from one revision to another; raises `NotFound`."""
    with stores.transaction() as transaction:
        for number in (start, end):
            found_revision(transaction, number)
        return difference(transaction.catalogue.load(start), transaction.catalogue.load(end))


def restore_revision(transaction: Transaction, number: int, *, who: str, why: str) -> CatalogueRevision:
    """Go back to an older revision: what it holds becomes a new one, which is active.

    A revision is active once and for one span of time, so what an answer names never means two things. Raises
    `NotFound`, and `Conflict` where that revision is the active one.
    """
    transaction.catalogue.hold()
    old = found_revision(transaction, number)
    if number == active_revision(transaction):
        raise Conflict("That revision is the active one.")
    reason = f"back to revision {number}" + (f": {why}" if why else "")
    made = transaction.catalogue.repeat_revision(old, made_by=who, reason=reason)
    transaction.reidentifications.begin(made)
    return found_revision(transaction, made)
