"""A review: a case put before a person, the moves it may make, and what the person decides."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import IntEnum, StrEnum
from uuid import UUID

from service.domain.errors import Conflict


class ReviewState(StrEnum):
    """Where a review stands. A withdrawn one needs nobody any more: its case was merged into another."""

    WAITING = "waiting"
    CLAIMED = "claimed"
    DECIDED = "decided"
    WITHDRAWN = "withdrawn"


class ReviewReason(StrEnum):
    """Why a person is needed."""

    AMBIGUOUS = "ambiguous"
    NOT_IN_CATALOGUE = "not_in_catalogue"
    PERSON_ASKED_FOR = "person_asked_for"
    REOPENED = "reopened"
    AUTOMATIC_SAMPLE = "automatic_sample"
    LOW_CONFIDENCE = "low_confidence"
    ANSWER_CHANGED = "answer_changed"


SECOND_LOOKS = frozenset({ReviewReason.AUTOMATIC_SAMPLE, ReviewReason.LOW_CONFIDENCE})
"""The reasons of a second look: nobody waits for it, and it is there to learn how far first looks can be trusted."""


class Priority(IntEnum):
    """How soon, before how long it has waited: urgent while somebody is on the telephone or at the counter."""

    LOW = 0
    NORMAL = 1
    URGENT = 2


class Outcome(StrEnum):
    """What a person found."""

    PART = "part"
    NOT_IN_CATALOGUE = "not_in_catalogue"
    CANNOT_TELL = "cannot_tell"


class Confidence(StrEnum):
    """How sure a person is of it."""

    SURE = "sure"
    LIKELY = "likely"
    GUESS = "guess"


MOVES: dict[ReviewState, frozenset[ReviewState]] = {
    ReviewState.WAITING: frozenset({ReviewState.CLAIMED, ReviewState.DECIDED, ReviewState.WITHDRAWN}),
    ReviewState.CLAIMED: frozenset({ReviewState.WAITING, ReviewState.DECIDED, ReviewState.WITHDRAWN}),
    ReviewState.DECIDED: frozenset(),
    ReviewState.WITHDRAWN: frozenset(),
}
"""The states a review may go to from each state; from waiting straight to decided when staff overrule in mid-call."""


@dataclass(frozen=True)
class Claim:
    """Who has a review in hand, and until when nobody else may take it."""

    key_id: UUID
    by: str
    at: datetime
    lease_s: int
    until: datetime


@dataclass(frozen=True)
class Verdict:
    """What a person says of a case; `part_number` is there exactly when the outcome is a part."""

    outcome: Outcome
    part_number: str | None
    confidence: Confidence
    reason: str


@dataclass(frozen=True)
class Decision:
    """A verdict on the record: of a review, or in mid-call of none. `round` is the answer that was seen."""

    id: UUID
    verdict: Verdict
    review_id: UUID | None
    second_look: bool
    round: int
    catalogue_revision: int
    by: str
    at: datetime


class ClaimLapsed(Conflict):
    """Your claim on this review has run out and it is back in the queue; claim it again and send this again."""

    code = "claim_lapsed"


class NotClaimed(Conflict):
    """This review is not in your hands; claim it first."""

    code = "not_claimed"


class AlreadySettled(Conflict):
    """This review is settled already; nothing of this request was kept."""

    code = "already_settled"
