"""Whether this process can answer, and what it does without."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from service.domain.errors import Unavailable
from service.workflows.ports.sending import SecretStanding
from service.workflows.ports.stores import Stores


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


def fault_of_secrets(standing: SecretStanding) -> str | None:
    """What is wrong with how webhooks' signing secrets lie, and what to do about it; None where nothing is."""
    if standing.shut:
        return f"{standing.shut} open with no key in LOBEDESK_SECRETS_KEY: the webhooks they sign wait"
    if not standing.lie_open:
        return None
    first = "" if standing.keyed else "set LOBEDESK_SECRETS_KEY, then "
    return f"{standing.lie_open} lie open in the database: {first}run `lobedesk secrets seal`"


def readiness(stores: Stores, probes: Probes) -> Readiness:
    """Ask everything this rests on.

    The cache may be away: answers are slower then, and as good. How webhook secrets lie is no answer's business.
    """
    parts = {"postgres": "ok", "schema": "ok", "catalogue": "ok", "redis": "ok"}
    revision, secrets = None, None
    try:
        if not probes.schema_is_current():
            parts["schema"] = "behind: run `lobedesk migrate`"
        else:
            with stores.transaction() as transaction:
                revision = transaction.catalogue.active_revision()
                secrets = fault_of_secrets(transaction.endpoints.standing())
            if revision is None:
                parts["catalogue"] = "none: run `lobedesk catalogue import`"
    except Unavailable:
        parts |= {"postgres": "away", "schema": "unknown", "catalogue": "unknown"}
    ready = all(state == "ok" for state in parts.values())
    if not probes.cache_answers():
        parts["redis"] = "degraded: answers are not cached"
    if secrets is not None:
        parts["webhook_secrets"] = f"degraded: {secrets}"
    return Readiness(ready, parts, revision)
