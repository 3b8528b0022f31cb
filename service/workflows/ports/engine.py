"""What workflows need of the engine's versions and of what is worked out under one; `stores.py` has the rest.

A version is a set of constants of the measuring model, and what was learned of each part's share of callers. The code
has its own constants and the catalogue its shares; what confirmed cases taught is kept, and one version of it may be in
use in their place.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol
from uuid import UUID

from service.identification.catalogue_table.table import CatalogueTable
from service.identification.learning.calibration import Refit
from service.identification.learning.demand import NOTHING_LEARNED, Demand
from service.identification.look_alikes.look_alike_map import LookAlike
from service.identification.measuring.model import MeasuringModel
from service.workflows.ports.record import RecordStore


@dataclass(frozen=True)
class NewVersion:
    """What was learned and is to be kept: from which cases, under which catalogue revision, and what it was worth.

    `factors` are those of the refit that `model` came from, none where that is the code's own.

    The scores are mean log scores in nats on the held-out cases, less is better.
    """

    model: MeasuringModel
    factors: tuple[Refit, ...]
    catalogue_revision: int
    cases: tuple[UUID, ...]
    fitted: int
    held_out: int
    score_before: float
    score_after: float
    made_by: str
    demand: Demand = NOTHING_LEARNED


@dataclass(frozen=True, kw_only=True)
class Version(NewVersion):
    """The same as kept. `code_version` is the code it was learned with."""

    name: str
    code_version: str
    made_at: datetime
    active: bool


class EngineVersionStore(Protocol):
    """Versions that were put to use, now or once."""

    def active(self) -> str | None:
        """The name of the version in use; None while that is the code's own constants."""
        ...

    def find(self, name: str) -> Version | None:
        """One version."""
        ...

    def all(self) -> tuple[Version, ...]:
        """Every version, newest first."""
        ...

    def add(self, version: NewVersion) -> str:
        """Keep a version, not in use yet; returns its name."""
        ...

    def activate(self, name: str | None) -> bool:
        """Put a version to use, or the code's own constants; False where there is none of that name."""
        ...


class EngineTableStore(Protocol):
    """Catalogue revisions as the engine reads them, made once for every process."""

    def find(self, revision: int, engine_version: str) -> CatalogueTable | None:
        """The table of a revision under a version; None where none is kept."""
        ...

    def is_kept(self, revision: int, engine_version: str) -> bool:
        """Whether there is one."""
        ...

    def keep(self, revision: int, engine_version: str, table: CatalogueTable) -> None:
        """Keep a table, unless there is one, and forget those of other revisions."""
        ...


class LookAlikeStore(Protocol):
    """The look-alike maps of revisions to whoever has a caliper, each under one version of the engine."""

    def is_kept(self, revision: int, engine_version: str) -> bool:
        """Whether there is a map of a revision under a version."""
        ...

    def find(self, revision: int, engine_version: str) -> tuple[LookAlike, ...] | None:
        """The map of a revision under a version; None where it has not been worked out."""
        ...

    def keep(self, revision: int, engine_version: str, pairs: tuple[LookAlike, ...]) -> None:
        """Keep a map, unless there is one."""
        ...

    def forget_others(self, engine_version: str) -> int:
        """Forget the maps under other versions; returns how many."""
        ...


class Learning(Protocol):
    """The part of a transaction that is about learning: what came out, the versions made of it, what each makes."""

    @property
    def record(self) -> RecordStore:
        """Cases whose truth came out, and cases that were looked at twice."""
        ...

    @property
    def engine_tables(self) -> EngineTableStore:
        """Revisions as the engine reads them."""
        ...

    @property
    def look_alikes(self) -> LookAlikeStore:
        """Look-alike maps."""
        ...

    @property
    def engine_versions(self) -> EngineVersionStore:
        """The measuring model's constants, as refitted."""
        ...
