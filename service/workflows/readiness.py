"""Whether this process can answer, and what it does without."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from service.domain.errors import Unavailable
from service.workflows.ports import Stores


@dataclass(frozen=True)
class Readiness:
    """`ready` while answers can be given; `parts` says of each thing relied on `ok`, or what is wrong with it."""

    ready: bool
    parts: dict[str, str]
    catalogue_revision: int | None


@dataclass(frozen=True)
class Probes:
    """How to ask: whether the cache answers, and whether the schema is the one this code needs."""

    cache_answers: Callable[[], bool]
    schema_is_current: Callable[[], bool]


def readiness(stores: Stores, probes: Probes) -> Readiness:
    """Ask everything this rests on. The cache may be away: answers are slower then, and as good."""
    parts = {"postgres": "ok", "schema": "ok", "catalogue": "ok", "redis": "ok"}
    revision = None
    try:
        if not probes.schema_is_current():
            parts["schema"] = "behind: run `lobedesk migrate`"
        else:
            with stores.transaction() as transaction:
                revision = transaction.catalogue.active_revision()
            if revision is None:
                parts["catalogue"] = "none: run `lobedesk catalogue import`"
    except Unavailable:
        parts |= {"postgres": "away", "schema": "unknown", "catalogue": "unknown"}
    ready = all(state == "ok" for state in parts.values())
    if not probes.cache_answers():
        parts["redis"] = "degraded: answers are not cached"
    return Readiness(ready, parts, revision)
