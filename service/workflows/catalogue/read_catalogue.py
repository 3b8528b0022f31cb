"""Looking things up in the catalogue. Every answer names the revision it comes from, and a list stays in one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

from service.domain.catalogue import Core, Part, PartStatus
from service.domain.errors import NotFound, Unavailable
from service.identification.look_alikes.look_alike_map import Kit, LookAlike
from service.workflows.catalogue.look_alike_maps import LookAlikeMap
from service.workflows.ports.catalogue import CatalogueRevision
from service.workflows.ports.stores import Stores, Transaction

Item = TypeVar("Item")

GREATEST_NUMBER = 2**31 - 1
"""Revisions and places are kept as 32-bit numbers."""


@dataclass(frozen=True)
class Mark:
    """Where a page of a list ended: the place of its last item, in a revision."""

    revision: int
    place: int


@dataclass(frozen=True)
class Page(Generic[Item]):
    """Part of a list of one revision; `end` is None on the last page."""

    revision: int
    items: tuple[Item, ...]
    end: Mark | None


@dataclass(frozen=True)
class PartsWanted:
    """Which parts: on a core, of a status, with a number that begins so (capitals or not)."""

    core: str | None = None
    status: PartStatus | None = None
    beginning: str | None = None


def active_revision(transaction: Transaction) -> int:
    """The revision answers come from now; raises `Unavailable` before the first import."""
    revision = transaction.catalogue.active_revision()
    if revision is None:
        raise Unavailable("No catalogue has been imported here yet.")
    return revision


def active_number(stores: Stores) -> int:
    """`active_revision` in a transaction of its own."""
    with stores.transaction() as transaction:
        return active_revision(transaction)


def found_revision(transaction: Transaction, number: int) -> CatalogueRevision:
    """One revision; raises `NotFound`."""
    found = transaction.catalogue.revision(number) if 0 < number <= GREATEST_NUMBER else None
    if found is None:
        raise NotFound("There is no catalogue revision of that number.")
    return found


def list_parts(stores: Stores, wanted: PartsWanted, after: Mark | None, limit: int) -> Page[Part]:
    """Parts in the supplier's order, those after `after` in its revision or all of the active one."""
    with stores.transaction() as transaction:
        start = _start(transaction, after)
        if not _can_be(start):
            return Page(start.revision, (), None)
        found = transaction.catalogue.find_parts(
            start.revision,
            core=wanted.core,
            status=wanted.status,
            beginning=wanted.beginning,
            after=start.place,
            limit=limit + 1,
        )
    end = Mark(start.revision, found[limit - 1][0]) if len(found) > limit else None
    return Page(start.revision, tuple(part for _, part in found[:limit]), end)


def find_part(stores: Stores, part_number: str) -> tuple[int, Part]:
    """A part of the active revision, after the revision's number; raises `NotFound`."""
    with stores.transaction() as transaction:
        revision = active_revision(transaction)
        part = transaction.catalogue.part(revision, part_number) if part_number.isprintable() else None
    if part is None:
        raise NotFound("The catalogue has no such part number.")
    return revision, part


def find_core(stores: Stores, code: str) -> tuple[int, Core]:
    """A core of the active revision, after the revision's number; raises `NotFound`."""
    with stores.transaction() as transaction:
        revision = active_revision(transaction)
        core = next((one for one in transaction.catalogue.cores(revision) if one.code == code), None)
    if core is None:
        raise NotFound("The catalogue has no such core.")
    return revision, core


def list_cores(stores: Stores, after: Mark | None, limit: int) -> Page[Core]:
    """Cores in the supplier's order."""
    with stores.transaction() as transaction:
        start = _start(transaction, after)
        cores = transaction.catalogue.cores(start.revision) if _can_be(start) else ()
    return _slice(start, cores, limit)


def page_of_look_alikes(
    stores: Stores, look_alikes: LookAlikeMap, kit: Kit, after: Mark | None, limit: int
) -> tuple[Page[LookAlike], str]:
    """Look-alikes to a kit, in the order of the catalogue's parts, and the engine version they rest on.

    Raises `InvalidInput` for a kit that will not do.
    """
    with stores.transaction() as transaction:
        start = _start(transaction, after)
    if not _can_be(start):
        return _slice(start, (), limit), look_alikes.engine_version(stores)
    found = look_alikes.of(stores, start.revision, kit)
    return _slice(start, found.pairs, limit), found.engine_version


def list_revisions(stores: Stores, before: int | None, limit: int) -> tuple[tuple[CatalogueRevision, ...], int | None]:
    """Revisions, newest first, those numbered below `before`; and the number to go on below, if there are more."""
    with stores.transaction() as transaction:
        capped = None if before is None else min(before, GREATEST_NUMBER)
        found = transaction.catalogue.revisions(capped, limit + 1)
    return found[:limit], found[limit - 1].number if len(found) > limit else None


def find_revision(stores: Stores, number: int) -> CatalogueRevision:
    """`found_revision` in a transaction of its own."""
    with stores.transaction() as transaction:
        return found_revision(transaction, number)


def _start(transaction: Transaction, after: Mark | None) -> Mark:
    return after if after is not None else Mark(active_revision(transaction), -1)


def _can_be(mark: Mark) -> bool:
    """Whether anything can lie after a mark: any number at all may come back as a cursor."""
    return mark.revision <= GREATEST_NUMBER and mark.place <= GREATEST_NUMBER


def _slice(start: Mark, items: tuple[Item, ...], limit: int) -> Page[Item]:
    first = start.place + 1
    end = Mark(start.revision, first + limit - 1) if first + limit < len(items) else None
    return Page(start.revision, items[first : first + limit], end)
