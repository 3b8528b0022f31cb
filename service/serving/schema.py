"""Which revision the schema is at, and bringing it to head."""

from __future__ import annotations

import psycopg

from service.adapters.postgres.migrations import head_revision, is_current, revision_of
from service.domain.errors import Unavailable
from service.settings import Settings


class SchemaBehind(Unavailable):
    """The schema is older than this code; run `lobedesk migrate`."""

    code = "schema_behind"


def schema_revision(settings: Settings) -> str | None:
    """The revision of the database; raises `Unavailable`, saying why, when it cannot be reached."""
    try:
        with psycopg.connect(settings.database_url or "", connect_timeout=5) as connection:
            return revision_of(connection)
    except psycopg.OperationalError as error:
        raise Unavailable(f"Postgres cannot be reached: {error}".strip()) from error


def require_current_schema(settings: Settings) -> None:
    """Raise `SchemaBehind` unless the schema is at head."""
    found = schema_revision(settings)
    if not is_current(found):
        raise SchemaBehind(
            f"The schema is at revision {found or 'none'}, this code needs {head_revision()}: run `lobedesk migrate`."
        )


def bring_to_head(settings: Settings) -> tuple[str | None, str]:
    """Run what is pending; the revision before and after."""
    found = schema_revision(settings)
    if found is not None and is_current(found):
        return found, found
    from service.adapters.postgres.migrations.migrate import upgrade  # SQLAlchemy is slow to import

    try:
        return upgrade(settings.database_url or "")
    except psycopg.errors.LockNotAvailable as error:
        raise Unavailable(f"The schema is in use and could not be changed: {error}".strip()) from error
