"""A catalogue that is uploaded to be looked at: kept, read by its owner, and then published or discarded."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from uuid import UUID

from service.catalogue_files import Checked
from service.catalogue_files.faults import PlacedFault
from service.domain.errors import Conflict, Fault, NotFound
from service.workflows.catalogue.before_publishing import Draft, look_at_draft
from service.workflows.catalogue.import_catalogue import ImportReport, WorkedOut, add_revision, work_out
from service.workflows.ports.drafts import Finding, Findings, KeptDraft
from service.workflows.ports.stores import KeyRecord, Stores, Transaction

MOST_DRAFTS = 20
MOST_FINDINGS = 1000
"""Kept of each sort; how many there are is kept too."""


@dataclass(frozen=True)
class OpenedDraft:
    """A draft, and what publishing it would do; `draft` is None where its files could not be taken."""

    kept: KeptDraft
    draft: Draft | None


def keep_draft(transaction: Transaction, key: KeyRecord, name: str, checked: Checked) -> KeptDraft:
    """Keep what was read, faults or none; raises `Conflict` while too many are kept."""
    transaction.catalogue.allow_time()
    transaction.drafts.take_turns()
    if len(transaction.drafts.all()) >= MOST_DRAFTS:
        raise Conflict(f"{MOST_DRAFTS} drafts are kept already; publish or discard one first.")
    draft_id = transaction.drafts.keep(key.id, key.name, name, _findings(checked), checked)
    transaction.trail.add(key.id, key.name, "catalogue_draft_kept", draft=str(draft_id))
    return find_draft(transaction, draft_id)


def list_drafts(stores: Stores) -> tuple[KeptDraft, ...]:
    """Everything kept, newest first."""
    with stores.transaction() as transaction:
        return transaction.drafts.all()


def find_draft(transaction: Transaction, draft_id: UUID) -> KeptDraft:
    """One draft; raises `NotFound`."""
    found = transaction.drafts.find(draft_id)
    if found is None:
        raise NotFound("There is no such draft; perhaps it was published or discarded.")
    return found


def open_draft(stores: Stores, draft_id: UUID) -> OpenedDraft:
    """A draft as its owner reads it, held against the active revision; raises `NotFound`."""
    with stores.transaction() as transaction:
        transaction.catalogue.allow_time()
        kept = find_draft(transaction, draft_id)
        whole = transaction.drafts.catalogue(draft_id)
    return OpenedDraft(kept, None if whole is None else look_at_draft(stores, whole))


def corrected_sheet(stores: Stores, draft_id: UUID, name: str) -> str:
    """A sheet of a draft as it should be, so far as that needs no guess; raises `NotFound`."""
    with stores.transaction() as transaction:
        find_draft(transaction, draft_id)
        text = transaction.drafts.corrected(draft_id).get(name)
    if text is None:
        raise NotFound("The draft has no such sheet.")
    return text


def ready_draft(stores: Stores, draft_id: UUID) -> WorkedOut | None:
    """What publishing a draft needs worked out, with no transaction open; None where there is nothing to publish."""
    with stores.transaction() as transaction:
        transaction.catalogue.allow_time()
        whole = transaction.drafts.catalogue(draft_id)
    return None if whole is None else work_out(stores, whole)


def publish_draft(
    transaction: Transaction,
    key: KeyRecord,
    draft_id: UUID,
    ready: WorkedOut | None,
    check: Callable[[int], None],
    why: str,
) -> ImportReport:
    """Make a draft the active revision, `ready` from `ready_draft`; it is a draft no longer, though nothing differ.

    `check` hears beside which active revision (0 for none), and raises where its owner saw it beside another. Raises
    `NotFound`, `Conflict` for one whose files could not be taken, and what `check` raises.
    """
    if transaction.drafts.find(draft_id, for_update=True) is None:
        find_draft(transaction, draft_id)
    if ready is None:
        raise Conflict("There are faults in this draft's files; upload them anew when they are mended.")
    report = add_revision(transaction, ready, who=key.name, why=why, check=check)
    transaction.drafts.remove(draft_id)
    return report


def discard_draft(transaction: Transaction, key: KeyRecord, draft_id: UUID) -> None:
    """Keep a draft no longer; raises `NotFound`."""
    find_draft(transaction, draft_id)
    transaction.drafts.remove(draft_id)
    transaction.trail.add(key.id, key.name, "catalogue_draft_discarded", draft=str(draft_id))


def _findings(checked: Checked) -> Findings:
    return Findings(
        tuple(_finding(fault) for fault in checked.faults[:MOST_FINDINGS]),
        len(checked.faults),
        tuple(_finding(doubt) for doubt in checked.doubts[:MOST_FINDINGS]),
        len(checked.doubts),
        checked.remarks,
        tuple(checked.corrected),
    )


def _finding(fault: Fault) -> Finding:
    return Finding(fault.pointer, fault.detail, fault.value if isinstance(fault, PlacedFault) else None)
