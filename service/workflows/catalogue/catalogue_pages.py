"""Printable pages of the catalogue, one a core."""

from __future__ import annotations

from service.domain.errors import NotFound
from service.workflows.catalogue.read_catalogue import found_revision
from service.workflows.ports.stores import Stores


def page_of_core(stores: Stores, number: int, code: str) -> bytes:
    """A core's page of the revision `number`, as PDF; raises `NotFound`."""
    with stores.transaction() as transaction:
        cores = {core.code: core for core in transaction.catalogue.cores(number)}
        if code not in cores:
            raise NotFound("The catalogue has no such core.")
        revision = found_revision(transaction, number)
        found = transaction.catalogue.find_parts(
            number, core=code, status=None, beginning=None, after=-1, limit=_MOST_PARTS
        )
    from service.documents.core_page import core_page_pdf  # here, because what draws it is slow to import

    return core_page_pdf(cores[code], [part for _, part in found], number, revision.made_at.date())


_MOST_PARTS = 5000
"""So many grinds of a core are printed: some two hundred sheets."""
