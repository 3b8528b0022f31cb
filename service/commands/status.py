"""`lobedesk status`: what is configured, what can be reached, and at which revision it is. Starts nothing."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from psycopg.conninfo import conninfo_to_dict

from service.adapters.embedded import running_stores
from service.adapters.postgres.migrations import head_revision, is_current
from service.adapters.postgres.pool import Pool, PostgresStores, open_pool
from service.adapters.redis_link import RedisLink
from service.adapters.sealing import Seal
from service.domain.errors import Unavailable
from service.serving.schema import schema_revision
from service.settings import Settings, unknown_variables
from service.workflows.identifying.engine_versions import version_named
from service.workflows.ports.sending import SecretStanding
from service.workflows.readiness import fault_of_secrets


@dataclass(frozen=True)
class Status:
    """Lines to show, each a name and what there is to say of it; `well` when the service could answer."""

    lines: tuple[tuple[str, str], ...]
    well: bool


def status_of(settings: Settings) -> Status:
    """Look at everything once."""
    lines: list[tuple[str, str]] = []
    database_url, redis_url = running_stores(settings.data)
    filled = dataclasses.replace(
        settings, database_url=settings.database_url or database_url, redis_url=settings.redis_url or redis_url
    )
    if settings.database_url is None or settings.redis_url is None:
        lines.append(("data folder", str(settings.data)))
    lines.append(("postgres", _postgres_name(settings)))
    well = _look_at_postgres(filled, lines)
    lines.append(("redis", "embedded" if settings.redis_url is None else "by LOBEDESK_REDIS_URL"))
    lines.append(("redis answers", _redis_answers(filled.redis_url)))
    lines.extend((variable, "is no setting of this service; misspelt?") for variable in unknown_variables())
    return Status(tuple(lines), well)


def _postgres_name(settings: Settings) -> str:
    if settings.database_url is None:
        return "embedded"
    parts = conninfo_to_dict(settings.database_url)
    return f"{parts.get('dbname', '')} at {parts.get('host', 'the local socket')}, by LOBEDESK_DATABASE_URL"


def _look_at_postgres(settings: Settings, lines: list[tuple[str, str]]) -> bool:
    if settings.database_url is None:
        lines.append(("postgres answers", "no, it is not running; `lobedesk serve` starts it"))
        return False
    try:
        revision = schema_revision(settings)
        lines.append(("postgres answers", "yes"))
        lines.append(("schema", f"{revision or 'none'}, this code needs {head_revision()}"))
        if not is_current(revision):
            return False
        with open_pool(settings.database_url, 1) as pool, _stores(pool, settings).transaction() as transaction:
            active = transaction.catalogue.active_revision()
            engine = version_named(transaction.engine_versions.active())
            secrets = transaction.endpoints.standing()
    except Unavailable as error:
        lines.append(("postgres answers", f"no: {error.message}"))
        return False
    lines.append(("catalogue", "none imported yet" if active is None else f"revision {active}"))
    lines.append(("engine", engine))
    lines.append(("webhook secrets", _secrets_name(secrets)))
    return active is not None


def _stores(pool: Pool, settings: Settings) -> PostgresStores:
    return PostgresStores(pool, seal=Seal.of(settings.secrets_key))


def _secrets_name(standing: SecretStanding) -> str:
    fault = fault_of_secrets(standing)
    if fault is not None:
        return fault
    if standing.keyed:
        return f"{standing.kept} kept, sealed"
    return "none; any would lie open in the database, for LOBEDESK_SECRETS_KEY is not set"


def _redis_answers(url: str | None) -> str:
    if url is None:
        return "no, it is not running; answers would not be cached"
    link = RedisLink(url)
    try:
        return "yes" if link.answers() else "no; answers are not cached"
    finally:
        link.close()
