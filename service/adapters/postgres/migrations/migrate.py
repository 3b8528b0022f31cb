"""Brings a schema to head. The one module that imports SQLAlchemy, through alembic."""

from __future__ import annotations

from typing import Any

import psycopg
import sqlalchemy
from alembic import command, op
from alembic.config import Config
from sqlalchemy.pool import NullPool

from service.adapters.postgres.migrations import FOLDER, revision_of

ADVISORY_LOCK = 5_062_437_102
"""Held while migrating, so that of several deployments at once one works and the others wait. Any number will do."""


def upgrade(url: str, *, wait: float = 60.0, lock_timeout: float = 5.0) -> tuple[str | None, str]:
    """Run what is pending and return the revision before and after.

    Waits up to `wait` seconds for another migration to end, and up to `lock_timeout` seconds for any lock on a table,
    so that a migration behind a long transaction fails rather than blocking every request behind itself.
    """
    engine = sqlalchemy.create_engine("postgresql+psycopg://", creator=lambda: psycopg.connect(url), poolclass=NullPool)
    with engine.connect() as connection:
        raw = _driver_connection(connection)
        raw.execute(f"SET lock_timeout = {round(wait * 1000)}".encode())
        raw.execute("SELECT pg_advisory_lock(%s)", [ADVISORY_LOCK])
        raw.execute(f"SET lock_timeout = {round(lock_timeout * 1000)}".encode())
        raw.commit()
        before = revision_of(raw)
        raw.commit()
        config = Config(attributes={"connection": connection})
        config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
        command.upgrade(config, "head")
        connection.commit()
        after = revision_of(raw)
    engine.dispose()
    if after is None:
        raise RuntimeError("the migrations left no revision behind")
    return before, after


def run_sql(name: str) -> None:
    """For a revision: execute `sql/<name>` on the connection of the migration, inside its transaction."""
    _driver_connection(op.get_bind()).execute((FOLDER / "sql" / name).read_bytes())


def _driver_connection(connection: sqlalchemy.Connection) -> psycopg.Connection[Any]:
    raw = connection.connection.driver_connection
    if not isinstance(raw, psycopg.Connection):
        raise TypeError(f"a psycopg connection was meant, not {type(raw)}")
    return raw
