"""What workflows need of the catalogue's revisions, as Protocols; `stores.py` has the rest."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from service.catalogue_files.rows import OnProgress
from service.domain.catalogue import Catalogue, Core, Part, PartStatus


@dataclass(frozen=True)
class CatalogueRevision:
    """One import of the catalogue: by whom, when, why, and how much. `state` is `active` for exactly one of them."""

    number: int
    state: str
    made_by: str
    reason: str
    made_at: datetime
    cores: int
    parts: int


class CatalogueStore(Protocol):
    """Catalogue revisions; exactly one is active once anything has been imported."""

    def active_revision(self) -> int | None:
        """The number of the active revision, or None before the first import."""
        ...

    def allow_time(self) -> None:
        """Let this transaction take its time, as a large catalogue needs."""
        ...

    def hold(self) -> None:
        """Let nobody else make a revision until the transaction ends; waits for whoever does."""
        ...

    def load(self, revision: int) -> Catalogue:
        """The whole catalogue of one revision; however large, its transaction may take the time."""
        ...

    def add_revision(self, catalogue: Catalogue, *, made_by: str, reason: str, told: OnProgress | None = None) -> int:
        """Keep a catalogue as a new revision and make it the active one; returns its number.

        `told` hears how many parts have been stored, of how many.
        """
        ...

    def add_changed(self, catalogue: Catalogue, old: int, before: Catalogue, *, made_by: str, reason: str) -> int:
        """`add_revision` of a catalogue that has most of its cores and parts from `before`, the revision `old`.

        What was added comes after everything else.
        """
        ...

    def repeat_revision(self, old: CatalogueRevision, *, made_by: str, reason: str) -> int:
        """Make what an old revision holds a new one, and that the active one; returns its number."""
        ...

    def revision(self, number: int) -> CatalogueRevision | None:
        """One revision, without its rows."""
        ...

    def revisions(self, before: int | None, limit: int) -> tuple[CatalogueRevision, ...]:
        """Revisions, newest first, those numbered below `before`, at most `limit`."""
        ...

    def cores(self, revision: int) -> tuple[Core, ...]:
        """The cores of a revision, in the supplier's order."""
        ...

    def part(self, revision: int, part_number: str) -> Part | None:
        """One part of a revision."""
        ...

    def find_parts(
        self,
        revision: int,
        *,
        core: str | None,
        status: PartStatus | None,
        beginning: str | None,
        after: int,
        limit: int,
    ) -> tuple[tuple[int, Part], ...]:
        """Parts, each with its place, in this order after the place `after`; numbers begin so, capitals or not."""
        ...
