"""A catalogue looked at before it is published: what it would change, and what that would do to the desk's work."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from service.catalogue_files.difference import Became, Change, difference
from service.documents.draft_pages import DraftSummary
from service.domain.catalogue import Catalogue
from service.identification.catalogue_table.table import build_table
from service.identification.look_alikes.look_alike_map import LookAlike, Separator, look_alikes
from service.identification.measuring.model import MeasuringModel
from service.workflows.identifying.engine_versions import constants_of, version_named
from service.workflows.ports.cases import CaseFinder
from service.workflows.ports.stores import Stores, Transaction

MOST_SEARCHED = 300
"""For so many parts that would vanish, open cases are looked for; a catalogue that loses more is another catalogue."""
MOST_CASES = 50


@dataclass(frozen=True)
class Stranded:
    """An open case whose leading candidate, or whose decision, is a part that would be gone."""

    part_number: str
    case: UUID
    reference: str


@dataclass(frozen=True)
class Draft:
    """A catalogue beside the active revision; `against` is None where there is none yet.

    `created` and `removed` are look-alikes to a caliper that there would be, or would be no more; `alike` all there
    would be. `untellable` are those of them that nothing stated parts, whatever is measured. `searched` of the
    `vanished` parts were looked for in open cases.
    """

    catalogue: Catalogue
    against: int | None
    changes: tuple[Change, ...]
    alike: tuple[LookAlike, ...]
    created: tuple[LookAlike, ...]
    removed: tuple[LookAlike, ...]
    untellable: tuple[LookAlike, ...]
    vanished: tuple[str, ...]
    searched: int
    stranded: tuple[Stranded, ...]

    def count(self, kind: str, became: Became) -> int:
        """How many cores or parts became so."""
        return sum(change.kind == kind and change.became is became for change in self.changes)


def look_at_draft(stores: Stores, catalogue: Catalogue) -> Draft:
    """Hold a catalogue against the active revision; nothing is kept or changed."""
    with stores.transaction() as transaction:
        constants = transaction.engine_versions.active()
        model = constants_of(transaction, constants)
        against = transaction.catalogue.active_revision()
        if against is None:
            before, alike_before = Catalogue((), ()), None
        else:
            before = transaction.catalogue.load(against)
            alike_before = transaction.look_alikes.find(against, version_named(constants))
        changes = difference(before, catalogue)
        vanished = tuple(c.name for c in changes if c.kind == "part" and c.became is Became.REMOVED)
        stranded = _stranded(transaction, vanished[:MOST_SEARCHED])
    alike = _alike(catalogue, model)
    if alike_before is None:
        alike_before = _alike(before, model)
    then, now = {_pair(one) for one in alike_before}, {_pair(one) for one in alike}
    return Draft(
        catalogue,
        against,
        changes,
        alike,
        tuple(one for one in alike if _pair(one) not in then),
        tuple(one for one in alike_before if _pair(one) not in now),
        tuple(one for one in alike if one.separated_by is Separator.NOTHING),
        vanished,
        min(len(vanished), MOST_SEARCHED),
        stranded,
    )


def _alike(catalogue: Catalogue, model: MeasuringModel) -> tuple[LookAlike, ...]:
    return look_alikes(build_table(catalogue, model), model) if catalogue.parts else ()


def _pair(one: LookAlike) -> frozenset[str]:
    return frozenset((one.part_number, one.other))


def _stranded(transaction: Transaction, part_numbers: tuple[str, ...]) -> tuple[Stranded, ...]:
    return tuple(
        Stranded(number, case.id, case.reference)
        for number in part_numbers
        for case in transaction.cases.search(CaseFinder(part_number=number, is_open=True), None, MOST_CASES)
        if number == (case.decided or case.leading_part)
    )


def summary_of(draft: Draft) -> DraftSummary:
    """A draft as its owner reads it."""
    catalogue, count = draft.catalogue, draft.count
    beside = "no revision is active yet" if draft.against is None else f"held against revision {draft.against}"
    holds = f"{_many(len(catalogue.cores), 'core')} and {_many(len(catalogue.parts), 'part')}"
    lines = [f"{holds}, {beside}; nothing is published yet."]
    for kind in ("core", "part"):
        became = ", ".join(f"{count(kind, one)} {one.value}" for one in Became)
        lines.append(f"{kind.capitalize()}s: {became}.")
    lines.append(
        f"Pairs that a caliper cannot tell apart: {len(draft.alike)}; {len(draft.created)} new, "
        f"{len(draft.removed)} gone; {len(draft.untellable)} that nothing stated parts."
    )
    parts = len({one.part_number for one in draft.stranded})
    pointed = f"{parts} of them in {_many(len(draft.stranded), 'open case')}"
    lines.append(f"Parts that vanish: {len(draft.vanished)}; {pointed}.")
    if draft.searched < len(draft.vanished):
        lines.append(f"Open cases were looked for of the first {draft.searched} vanished parts only.")
    return DraftSummary(
        tuple(lines),
        tuple(change.words for change in draft.changes),
        draft.created,
        draft.removed,
        draft.untellable,
        tuple((one.part_number, one.reference) for one in draft.stranded),
        draft.alike,
        catalogue,
    )


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"
