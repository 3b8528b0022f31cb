"""What workflows need of the record and of a customer's data, as Protocols; `ports.py` has the rest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol
from uuid import UUID

from service.domain.identification import AnswerState
from service.domain.readings import Submission
from service.domain.review import Outcome
from service.identification.look_alikes.look_alike_map import LookAlike
from service.workflows.engine_ports import EngineTableStore, EngineVersionStore


@dataclass(frozen=True)
class NamedClass:
    """A candidate of an answer: the part numbers of one grind, and how likely it was said to be."""

    part_number: str
    same_as: tuple[str, ...]
    probability: float


@dataclass(frozen=True)
class ConfirmedCase:
    """The last answer to a case whose truth is known; None is nobody's part."""

    submission_id: UUID
    truth: str | None
    state: AnswerState
    candidates: tuple[NamedClass, ...]


@dataclass(frozen=True)
class DecidedCase:
    """What somebody decided of a case whose truth is known."""

    submission_id: UUID
    outcome: Outcome
    part_number: str | None
    confidence: str
    by: str


@dataclass(frozen=True)
class LookedAtTwice:
    """A second look; `first_*` is the decision before it, and None where only the readings had answered."""

    first_by: str | None
    first_outcome: Outcome | None
    first_part: str | None
    answered_state: AnswerState
    answered_part: str | None
    answered_same_as: tuple[str, ...]
    outcome: Outcome
    part_number: str | None


@dataclass(frozen=True)
class ConfirmedPart:
    """A case that turned out to be one of our parts, as it was sent."""

    submission_id: UUID
    reference: str
    truth: str
    submission: Submission


@dataclass(frozen=True)
class IdentifiedCases:
    """How many cases were last answered with one part number alone, and of how many of these the truth is known."""

    part_number: str
    cases: int
    confirmed: int


class RecordStore(Protocol):
    """Cases whose truth came out, and cases that were looked at twice."""

    def confirmed_answers(self) -> tuple[ConfirmedCase, ...]:
        """The last answer to every case whose truth is known."""
        ...

    def identified_cases(self) -> tuple[IdentifiedCases, ...]:
        """Identified cases by part number."""
        ...

    def confirmed_parts(self) -> tuple[ConfirmedPart, ...]:
        """Every case that turned out to be one of our parts, in the order they were opened."""
        ...

    def decisions_of_confirmed(self) -> tuple[DecidedCase, ...]:
        """What people decided of these cases."""
        ...

    def second_looks(self) -> tuple[LookedAtTwice, ...]:
        """Every second look, with what was said before it."""
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
    """The part of a transaction that is about what was learnt: from the record, and of the catalogue."""

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


class PrivacyStore(Protocol):
    """One customer's data, and what is kept no longer than it may be."""

    def cases_of(self, email: str | None, phone: str | None) -> tuple[UUID, ...]:
        """The cases of whoever has this e-mail address or telephone number, oldest first."""
        ...

    def everything(self, submission_id: UUID) -> Mapping[str, Any]:
        """All that is kept of one case, as JSON, under the names of the tables."""
        ...

    def erase(self, submission_id: UUID) -> None:
        """Take everything personal out of a held case; its readings and answers stay, and are nobody's."""
        ...

    def shafts_of(self, email: str | None, phone: str | None, case_ids: tuple[UUID, ...]) -> tuple[UUID, ...]:
        """The posted shafts of whoever has this address or number, beside those of `case_ids`."""
        ...

    def everything_of_shaft(self, mail_in_id: UUID) -> Mapping[str, Any]:
        """All that is kept of one posted shaft, as JSON."""
        ...

    def erase_shaft(self, mail_in_id: UUID) -> None:
        """Take everything personal out of a held shaft; what happened to it stays, and is nobody's."""
        ...

    def forget_shaft_contacts(self, days: int) -> tuple[UUID, ...]:
        """Take the customer out of a few posted shafts unchanged for so many days: which they were."""
        ...

    def forget_shafts(self, days: int) -> tuple[UUID, ...]:
        """Delete a few posted shafts whose journey ended so many days ago and whose case is gone: which they were."""
        ...

    def forget_contacts(self, days: int) -> tuple[UUID, ...]:
        """Erase a few cases unchanged for so many days that still have somebody's name: which they were."""
        ...

    def forget_markings(self, days: int) -> tuple[UUID, ...]:
        """Take the markings out of a few cases unchanged for so many days: which they were."""
        ...

    def forget_notes(self, days: int) -> int:
        """Forget a few notes written so many days ago; how many there were."""
        ...

    def forget_photos(self, days: int) -> int:
        """Forget a few photos added so many days ago; how many there were."""
        ...

    def forget_cases(self, days: int) -> tuple[UUID, ...]:
        """Delete a few cases unchanged for so many days, with all that belongs to them: which they were."""
        ...

    def forget_links(self) -> int:
        """Forget a few return links that have lapsed; how many there were."""
        ...
