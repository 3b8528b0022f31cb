"""Brings a schema to head. The one module that imports SQLAlchemy, through alembic."""

from __future__ import annotations

import time
from typing import Any

import psycopg
import sqlalchemy
from alembic import command, op
from alembic.config import Config
from sqlalchemy.pool import NullPool

from service.adapters.postgres.migrations import FOLDER, revision_of

ADVISORY_LOCK = 5_062_437_102
"""Held while migrating, so that of several deployments at once one works and the others wait. Any number will do."""

ASKED_AGAIN_S = 0.1
"""How often it is asked whether the other migration has ended."""

PATIENCE_BESIDE_OTHERS = "10min"
"""How long an index that is made beside others waits for transactions that began before it."""


def upgrade(url: str, *, wait: float = 60.0, lock_timeout: float = 5.0) -> tuple[str | None, str]:
    """Run what is pending and return the revision before and after.

    Waits up to `wait` seconds for another migration to end, and up to `lock_timeout` seconds for any lock on a table,
    so that a migration behind a long transaction fails rather than blocking every request behind itself.
    """
    engine = sqlalchemy.create_engine("postgresql+psycopg://", creator=lambda: psycopg.connect(url), poolclass=NullPool)
    with engine.connect() as connection:
        raw = _driver_connection(connection)
        raw.execute(f"SET lock_timeout = {round(lock_timeout * 1000)}".encode())
        raw.commit()
        _take_turns(raw, wait)
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


def _take_turns(raw: psycopg.Connection[Any], wait: float) -> None:
    """Wait until no other migration runs; raises `LockNotAvailable` where that takes longer than `wait` seconds.

    It asks again and again: whoever stands and waits in one statement is itself waited for by an index that is made
    beside others.
    """
    deadline = time.monotonic() + wait
    while True:
        row = raw.execute("SELECT pg_try_advisory_lock(%s)", [ADVISORY_LOCK]).fetchone()
        raw.commit()
        if row is not None and row[0]:
            return
        if time.monotonic() > deadline:
            raise psycopg.errors.LockNotAvailable("another migration is at work")
        time.sleep(ASKED_AGAIN_S)


def run_sql(name: str, *, beside_others: bool = False) -> None:
    """For a revision: execute `sql/<name>` on the connection of the migration, inside its transaction.

    `beside_others`: outside of one, a statement after the other, as an index needs that is made while others write. It
    waits for transactions that are older, and nobody waits for it, so it is given time. Each statement must be able to
    come again, since whatever ends the migration leaves those before it done.
    """
    sql = (FOLDER / "sql" / name).read_bytes()
    if not beside_others:
        _driver_connection(op.get_bind()).execute(sql)
        return
    with op.get_context().autocommit_block():
        raw = _driver_connection(op.get_bind())
        (before,) = raw.execute("SHOW lock_timeout").fetchone() or ("0",)
        raw.execute(f"SET lock_timeout = '{PATIENCE_BESIDE_OTHERS}'".encode())
        for statement in sql.split(b";\n"):
            if statement.strip():
                raw.execute(statement)
        raw.execute("SELECT set_config('lock_timeout', %s, false)", [before])


def _driver_connection(connection: sqlalchemy.Connection) -> psycopg.Connection[Any]:
    raw = connection.connection.driver_connection
    if not isinstance(raw, psycopg.Connection):
        raise TypeError(f"a psycopg connection was meant, not {type(raw)}")
    return raw
