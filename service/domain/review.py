"""A review: a case put before a person, and the moves it may make."""

from __future__ import annotations

from enum import StrEnum


class ReviewState(StrEnum):
    """Where a review stands."""

    WAITING = "waiting"
    CLAIMED = "claimed"
    DECIDED = "decided"


class ReviewReason(StrEnum):
    """Why a person is needed."""

    AMBIGUOUS = "ambiguous"
    NOT_IN_CATALOGUE = "not_in_catalogue"
    PERSON_ASKED_FOR = "person_asked_for"


MOVES: dict[ReviewState, frozenset[ReviewState]] = {
    ReviewState.WAITING: frozenset({ReviewState.CLAIMED}),
    ReviewState.CLAIMED: frozenset({ReviewState.WAITING, ReviewState.DECIDED}),
    ReviewState.DECIDED: frozenset(),
}
"""The states a review may go to from each state."""
