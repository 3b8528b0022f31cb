"""What asking cases again under a new catalogue revision needs of the world, as Protocols; `stores.py` has the rest."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol
from uuid import UUID

from service.domain.identification import AnswerState


@dataclass(frozen=True)
class Progress:
    """How far the asking under a revision has come. `remaining` is None before it has begun.

    `changed` answers became others, and of those `told_otherwise` are unlike what a customer was told.
    """

    catalogue_revision: int
    made_at: datetime
    begun_at: datetime | None
    finished_at: datetime | None
    overtaken: bool
    done: int
    changed: int
    told_otherwise: int
    remaining: int | None

    @property
    def state(self) -> str:
        """`waiting`, `running`, `finished`, or `overtaken` by a newer revision, under which the same is asked."""
        if self.overtaken:
            return "overtaken"
        if self.finished_at is not None:
            return "finished"
        return "waiting" if self.begun_at is None else "running"


@dataclass(frozen=True)
class Said:
    """What an answer said: its state, the leading part, and the revision it rests on."""

    state: AnswerState
    part_number: str | None
    catalogue_revision: int


@dataclass(frozen=True)
class ChangedAnswer:
    """An answer that became another. `review_id` is the review that was opened, or there already, if any."""

    submission_id: UUID
    reference: str
    is_open: bool
    before: Said
    after: Said
    told_otherwise: bool
    review_id: UUID | None
    changed_at: datetime


class ReidentificationStore(Protocol):
    """Runs through the cases, one for each revision that became active; at most one is not finished."""

    def begin(self, revision: int) -> None:
        """Have a worker ask again under a revision; a run that is not finished is overtaken."""
        ...

    def unfinished(self) -> int | None:
        """The revision of the run there is to do."""
        ...

    def take(self, recent_days: int) -> int | None:
        """Hold the run there is to do until the transaction ends; None where there is none, or another has it."""
        ...

    def next_case(self, revision: int) -> UUID | None:
        """The next case of a run: open, or changed recently."""
        ...

    def next_late(self, revision: int) -> UUID | None:
        """A case that a process which had not turned to the run's revision has answered under an older one since."""
        ...

    def reach(self, revision: int, case_id: UUID) -> None:
        """Count a case as dealt with."""
        ...

    def keep_change(
        self, revision: int, case_id: UUID, before: int, after: int, *, told_otherwise: bool, review_id: UUID | None
    ) -> None:
        """Keep that a case's answer of round `before` became that of round `after`."""
        ...

    def finish(self, revision: int, settle_s: float) -> bool:
        """End a run with no case left; False within `settle_s` of its revision becoming active."""
        ...

    def progress(self, revision: int) -> Progress | None:
        """How far a run has come."""
        ...

    def changes(self, revision: int, after: UUID | None, limit: int) -> tuple[ChangedAnswer, ...]:
        """Answers that became others, in the order their cases were opened."""
        ...
