"""What workflows need of the record of cases whose truth came out, as Protocols; `stores.py` has the rest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol
from uuid import UUID

from service.domain.identification import AnswerState
from service.domain.readings import Submission
from service.domain.review import Outcome


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
