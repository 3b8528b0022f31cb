"""What is done with whole revisions of the catalogue: compared, written out, gone back to."""

from __future__ import annotations

from service.catalogue_files.difference import Change, difference
from service.domain.catalogue import Catalogue
from service.domain.errors import Conflict, NotFound
from service.workflows.catalogue_ports import CatalogueRevision
from service.workflows.ports import Stores, Transaction
from service.workflows.read_catalogue import GREATEST_NUMBER, active_revision


def active_catalogue(stores: Stores) -> tuple[int, Catalogue]:
    """The active revision's number and all of it; raises `Unavailable` before the first import."""
    with stores.transaction() as transaction:
        revision = active_revision(transaction)
        return revision, transaction.catalogue.load(revision)


def compare_revisions(stores: Stores, start: int, end: int) -> tuple[Change, ...]:
    """What became of the catalogue from one revision to another; raises `NotFound`."""
    with stores.transaction() as transaction:
        for number in (start, end):
            _found(transaction, number)
        return difference(transaction.catalogue.load(start), transaction.catalogue.load(end))


def restore_revision(transaction: Transaction, number: int, *, who: str, why: str) -> CatalogueRevision:
    """Go back to an older revision: what it holds becomes a new one, which is active.

    A revision is active once and for one span of time, so what an answer names never means two things. Raises
    `NotFound`, and `Conflict` where that revision is the active one.
    """
    _found(transaction, number)
    if number == active_revision(transaction):
        raise Conflict("That revision is the active one.")
    reason = f"back to revision {number}" + (f": {why}" if why else "")
    made = transaction.catalogue.add_revision(transaction.catalogue.load(number), made_by=who, reason=reason)
    return _found(transaction, made)


def _found(transaction: Transaction, number: int) -> CatalogueRevision:
    found = transaction.catalogue.revision(number) if 0 < number <= GREATEST_NUMBER else None
    if found is None:
        raise NotFound("There is no catalogue revision of that number.")
    return found
