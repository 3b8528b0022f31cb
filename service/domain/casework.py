"""The desk's own rules for its cases: how soon an answer is owed, how long a claim holds, what is looked at twice."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from enum import StrEnum
from types import MappingProxyType
from uuid import UUID

from service.domain.readings import Source
from service.domain.review import Priority


class ClosedWhy(StrEnum):
    """Why nobody works on a case any more."""

    ANSWERED = "answered"
    ORDERED = "ordered"
    MERGED = "merged"
    NO_REPLY = "no_reply"
    WITHDRAWN = "withdrawn"


class ConfirmationSource(StrEnum):
    """How the truth about a shaft came out."""

    BOX_FOUND = "box_found"
    BENCH_MEASURED = "bench_measured"
    CUSTOMER_RETURNED = "customer_returned"
    OTHER = "other"


PRIORITY_OF: Mapping[Source, Priority] = MappingProxyType(
    {
        Source.PHONE: Priority.URGENT,
        Source.COUNTER: Priority.URGENT,
        Source.WEB: Priority.NORMAL,
        Source.MAIL_IN: Priority.NORMAL,
    }
)
"""Somebody who stands there or holds the line comes before somebody who has gone home."""

DEFAULT_REPLY_HOURS: Mapping[Source, float] = MappingProxyType(
    {Source.PHONE: 0.5, Source.COUNTER: 0.5, Source.WEB: 24.0, Source.MAIL_IN: 72.0}
)
"""How soon a person's answer is owed (common practice, no source)."""


def reply_hours_text(hours: Mapping[Source, float]) -> str:
    """Reply hours in one line: `phone=0.5,counter=0.5,web=24,mail_in=72`."""
    return ",".join(f"{source.value}={hours[source]:g}" for source in Source)


def read_reply_hours(text: str) -> Mapping[Source, float]:
    """The hours in such a line; raises ValueError unless each source is there once, with 0.1 to 1000 hours."""
    hours: dict[Source, float] = {}
    for entry in text.split(","):
        name, _, given = entry.strip().partition("=")
        source = Source(name)
        if source in hours or not re.fullmatch(r"[0-9]{1,4}(\.[0-9]{1,2})?", given) or not 0.1 <= float(given) <= 1000:
            raise ValueError(f"{entry.strip()!r} is not one source and 0.1 to 1000 hours")
        hours[source] = float(given)
    if set(hours) != set(Source):
        raise ValueError("every source is needed once")
    return MappingProxyType(hours)


@dataclass(frozen=True)
class CaseworkRules:
    """What a deployment may set for itself.

    `lease_s` is how long a claim holds without activity. `second_look_share` is the share of automatic answers put
    before a person all the same, and `second_look_hours` how soon. A caller asked for a reading is reminded after
    `remind_days` and the case closed `close_days` after that; a return link works for `link_days`. When
    the catalogue changes, closed cases that changed within `reidentify_days` are asked again beside the open ones.
    """

    reply_hours: Mapping[Source, float] = field(default_factory=lambda: DEFAULT_REPLY_HOURS)
    lease_s: int = 900
    second_look_share: float = 0.05
    second_look_hours: float = 72.0
    remind_days: int = 3
    close_days: int = 14
    link_days: int = 30
    reidentify_days: int = 30

    def due_in(self, source: Source, *, second_look: bool) -> timedelta:
        """How long a person has to answer."""
        return timedelta(hours=self.second_look_hours if second_look else self.reply_hours[source])

    def takes_second_look(self, case_id: UUID) -> bool:
        """Whether this case is in the sample: settled by its id, so that asking twice says the same."""
        drawn = int.from_bytes(hashlib.sha256(case_id.bytes).digest()[:8])
        return drawn < self.second_look_share * 2**64


DEFAULT_RULES = CaseworkRules()


@dataclass(frozen=True)
class Retention:
    """For how many days what is kept, from the last change of its case on (notes: from their writing); 0: for good.

    When a contact goes, the customer's own words and the letters to them go with it; when a case goes, all of it does.
    """

    contact_days: int = 730
    markings_days: int = 730
    notes_days: int = 730
    cases_days: int = 3650
    photos_days: int = 730


DEFAULT_RETENTION = Retention()
