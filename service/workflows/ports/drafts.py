"""What drafts of the catalogue need of the world, as Protocols; `stores.py` has the rest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol
from uuid import UUID

from service.catalogue_files import Checked
from service.domain.catalogue import Catalogue


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong or doubtful: where, what, and what stands there if it is one value."""

    place: str
    detail: str
    value: str | None = None


@dataclass(frozen=True)
class Findings:
    """What was found in a draft's files: the first of the faults and warnings, and how many there are of each.

    `remarks` say how the files were read; `sheets` which are there as they should be.
    """

    faults: tuple[Finding, ...]
    fault_count: int
    warnings: tuple[Finding, ...]
    warning_count: int
    remarks: tuple[str, ...]
    sheets: tuple[str, ...]


@dataclass(frozen=True)
class KeptDraft:
    """A catalogue that was uploaded. `cores` and `parts` are how many; None where its files could not be taken."""

    id: UUID
    name: str
    made_by: str
    made_at: datetime
    cores: int | None
    parts: int | None
    findings: Findings


class DraftStore(Protocol):
    """Catalogues that were uploaded and are not published yet."""

    def take_turns(self) -> None:
        """Let nobody else keep one until the transaction ends."""
        ...

    def keep(self, key_id: UUID, by: str, name: str, findings: Findings, checked: Checked) -> UUID:
        """Keep what was read; returns its id."""
        ...

    def all(self) -> tuple[KeptDraft, ...]:
        """Everything kept, newest first."""
        ...

    def find(self, draft_id: UUID, *, for_update: bool = False) -> KeptDraft | None:
        """One of them; `for_update` holds it until the transaction ends."""
        ...

    def catalogue(self, draft_id: UUID) -> Catalogue | None:
        """The catalogue in it; None where there is none."""
        ...

    def corrected(self, draft_id: UUID) -> Mapping[str, str]:
        """Its sheets as they should be, by file name."""
        ...

    def remove(self, draft_id: UUID) -> bool:
        """Keep it no longer; False where it was not there."""
        ...
