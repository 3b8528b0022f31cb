"""The schema's history: numbered SQL files in `sql/`, each named by a revision in `versions/`.

To add one: write `sql/NNNN_what_it_does.sql` under the next number, and a revision in `versions/` that names it. A
revision is never edited once it has been released. The end state lies in `schema.sql`; a test compares the two.

This module needs no SQLAlchemy: the service asks it at which revision a database is. `migrate.py` does the work.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import psycopg

FOLDER = Path(__file__).parent


def head_revision() -> str:
    """The newest revision this code knows, such as `0003`."""
    return max(path.name[:4] for path in (FOLDER / "sql").glob("[0-9][0-9][0-9][0-9]_*.sql"))


def revision_of(connection: psycopg.Connection[Any]) -> str | None:
    """The revision a database is at, or None for one that was never migrated."""
    cursor = connection.cursor(row_factory=psycopg.rows.tuple_row)
    row = cursor.execute("SELECT to_regclass('alembic_version') IS NOT NULL").fetchone()
    if row is None or not row[0]:
        return None
    row = cursor.execute("SELECT version_num FROM alembic_version").fetchone()
    return None if row is None else str(row[0])


def is_current(revision: str | None) -> bool:
    """Whether a database at `revision` can serve this code; one that is ahead can, since revisions only add."""
    return revision is not None and revision >= head_revision()
