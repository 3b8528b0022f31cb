"""A shaft that is posted in: where it stands, what may happen to it next, and what makes it overdue."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from types import MappingProxyType

from service.domain.errors import Conflict


class MailInState(StrEnum):
    """Where a shaft stands. The last three are ends: nothing can happen to it any more."""

    ANNOUNCED = "announced"
    RECEIVED = "received"
    MEASURED = "measured"
    REPORTED = "reported"
    RETURNED = "returned"
    SCRAPPED = "scrapped"
    WITHDRAWN = "withdrawn"


class EventKind(StrEnum):
    """What can happen to a shaft. `moved` takes it to another place in the house; `withdrawn`: it never came."""

    ANNOUNCED = "announced"
    RECEIVED = "received"
    MOVED = "moved"
    MEASURED = "measured"
    REPORTED = "reported"
    CONSENTED = "consented"
    RETURNED = "returned"
    SCRAPPED = "scrapped"
    WITHDRAWN = "withdrawn"


class ArrivedCondition(StrEnum):
    """How a shaft looked when it was unpacked."""

    SOUND = "sound"
    WORN = "worn"
    RUSTED = "rusted"
    PITTED = "pitted"
    CRACKED = "cracked"
    BENT = "bent"
    WELDED = "welded"
    DAMAGED_IN_POST = "damaged_in_post"


IN_HOUSE = frozenset({MailInState.RECEIVED, MailInState.MEASURED, MailInState.REPORTED})
"""The states in which the shaft lies somewhere here, in exactly one place."""

_S, _E = MailInState, EventKind
MOVES: Mapping[MailInState, Mapping[EventKind, MailInState]] = MappingProxyType(
    {
        _S.ANNOUNCED: {_E.RECEIVED: _S.RECEIVED, _E.WITHDRAWN: _S.WITHDRAWN},
        _S.RECEIVED: {
            _E.MOVED: _S.RECEIVED,
            _E.MEASURED: _S.MEASURED,
            _E.CONSENTED: _S.RECEIVED,
            _E.RETURNED: _S.RETURNED,
            _E.SCRAPPED: _S.SCRAPPED,
        },
        _S.MEASURED: {
            _E.MOVED: _S.MEASURED,
            _E.MEASURED: _S.MEASURED,
            _E.REPORTED: _S.REPORTED,
            _E.CONSENTED: _S.MEASURED,
            _E.RETURNED: _S.RETURNED,
            _E.SCRAPPED: _S.SCRAPPED,
        },
        _S.REPORTED: {
            _E.MOVED: _S.REPORTED,
            _E.MEASURED: _S.MEASURED,
            _E.CONSENTED: _S.REPORTED,
            _E.RETURNED: _S.RETURNED,
            _E.SCRAPPED: _S.SCRAPPED,
        },
        _S.RETURNED: {},
        _S.SCRAPPED: {},
        _S.WITHDRAWN: {},
    }
)
"""What may happen in each state, and the state it leads to."""


class ImpossibleOrder(Conflict):
    """That cannot happen to a shaft in its present state."""

    code = "impossible_order"


class InTwoPlaces(Conflict):
    """The shaft is not where this says it was taken from."""

    code = "in_two_places"


class NoConsent(Conflict):
    """A shaft is scrapped only with its owner's consent; record that first."""

    code = "no_consent"


def after(state: MailInState, kind: EventKind) -> MailInState:
    """The state that an event leads to; raises `ImpossibleOrder`."""
    moves = MOVES[state]
    if kind not in moves:
        can = ", ".join(each.value for each in moves) or "nothing any more"
        raise ImpossibleOrder(f"A shaft that is {state.value} cannot be {kind.value}; what can happen: {can}.")
    return moves[kind]


@dataclass(frozen=True)
class Patience:
    """Days within which the next thing should happen (common practice, no source): that an announced shaft comes, that
    one in the house is measured and reported, that one reported goes back.
    """

    to_come: int = 21
    to_report: int = 7
    to_go_back: int = 14

    def due(self, state: MailInState, since: datetime) -> datetime | None:
        """When a shaft in `state` since a moment becomes overdue; None at an end."""
        days = {
            MailInState.ANNOUNCED: self.to_come,
            MailInState.RECEIVED: self.to_report,
            MailInState.MEASURED: self.to_report,
            MailInState.REPORTED: self.to_go_back,
        }.get(state)
        return None if days is None else since + timedelta(days=days)


DEFAULT_PATIENCE = Patience()
