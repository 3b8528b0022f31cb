"""Printable pages of the active catalogue, one a core."""

from __future__ import annotations

from service.domain.errors import NotFound
from service.workflows.ports import Stores
from service.workflows.read_catalogue import active_revision


def page_of_core(stores: Stores, code: str) -> tuple[int, bytes]:
    """(the active revision's number, a core's page as PDF); raises `NotFound`, and `Unavailable` before any import."""
    with stores.transaction() as transaction:
        number = active_revision(transaction)
        cores = {core.code: core for core in transaction.catalogue.cores(number)}
        if code not in cores:
            raise NotFound("The catalogue has no such core.")
        revision = transaction.catalogue.revision(number)
        found = transaction.catalogue.find_parts(
            number, core=code, status=None, beginning=None, after=-1, limit=_MOST_PARTS
        )
    assert revision is not None  # noqa: S101  it is the active one
    from service.documents.core_page import core_page_pdf  # here, because what draws it is slow to import

    return number, core_page_pdf(cores[code], [part for _, part in found], number, revision.made_at.date())


_MOST_PARTS = 5000
"""So many grinds of a core are printed: some two hundred sheets."""
