"""What the work on kept lift tables needs of the world, as Protocols."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol
from uuid import UUID

from service.lobe.sent_sheet import SentSheet


@dataclass(frozen=True)
class Withdrawal:
    """Why kept tables count no longer: of another shaft, say."""

    by: str
    at: datetime
    reason: str


@dataclass(frozen=True)
class KeptSheet:
    """Lift tables as they were sent, and whose they are: of a submission, of a posted shaft, or of both.

    `bench` is the record of what they were taken with (`workflows.identifying.bench_record`), None where nobody said.
    """

    id: UUID
    submission_id: UUID | None
    mail_in_id: UUID | None
    by: str
    at: datetime
    sent: SentSheet
    withdrawal: Withdrawal | None = None
    bench: dict[str, Any] | None = None


class LiftTableStore(Protocol):
    """Kept lift tables."""

    def keep(
        self,
        key_id: UUID,
        by: str,
        sent: SentSheet,
        submission_id: UUID | None,
        mail_in_id: UUID | None,
        bench: dict[str, Any] | None,
    ) -> UUID:
        """Keep tables; returns their id."""
        ...

    def find(self, sheet_id: UUID) -> KeptSheet | None:
        """Kept tables."""
        ...

    def of_submission(self, submission_id: UUID) -> tuple[KeptSheet, ...]:
        """The tables of a submission, first to last, withdrawn ones among them."""
        ...

    def of_submissions(self, submission_ids: Sequence[UUID]) -> tuple[KeptSheet, ...]:
        """The tables of several submissions, first to last."""
        ...

    def give(self, mail_in_id: UUID, submission_id: UUID) -> bool:
        """Make a shaft's tables those of its new submission too; whether there were any."""
        ...

    def move(self, from_id: UUID, into_id: UUID) -> bool:
        """Make one submission's tables another's, with which it is merged; whether there were any."""
        ...

    def withdraw(self, sheet_id: UUID, key_id: UUID, by: str, reason: str) -> bool:
        """Let tables count no longer; False where that was said before."""
        ...
