"""Changing one part or one core: a new revision, made active as an import's is."""

from __future__ import annotations

from collections.abc import Callable

from service.catalogue_files.edits import Edit
from service.domain.catalogue import Catalogue
from service.workflows.catalogue.read_catalogue import active_revision, found_revision
from service.workflows.catalogue.revisions import publish_changed
from service.workflows.ports.catalogue import CatalogueRevision
from service.workflows.ports.stores import Transaction


def edit_catalogue(
    transaction: Transaction,
    change: Callable[[Catalogue], Edit],
    check: Callable[[int], None],
    *,
    who: str,
    why: str,
) -> tuple[CatalogueRevision, Edit]:
    """Make the active revision with one `change` the new active revision; what changes nothing makes none.

    Nobody else makes a revision meanwhile: `check` hears which one is active, and raises where the caller means
    another. Raises what `check` and `change` raise, and `Unavailable` before the first import.
    """
    transaction.catalogue.hold()
    number = active_revision(transaction)
    check(number)
    before = transaction.catalogue.load(number)
    edit = change(before)
    if edit.whole != before:
        reason = edit.words + (f": {why}" if why else "")
        number = publish_changed(transaction, edit.whole, number, before, who=who, why=reason)
    return found_revision(transaction, number), edit
