"""Catalogue revisions as the engine reads them in Postgres: an array a row."""

from __future__ import annotations

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.adapters.stored_table import StoredColumn, read_table, stored_table
from service.identification.catalogue_table.table import TABLE_FORM, CatalogueTable

QUERIES = Queries("engine_tables")


class EngineTableStore:
    """Satisfies `service.workflows.ports.engine.EngineTableStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def find(self, revision: int, engine_version: str) -> CatalogueTable | None:
        """The table of a revision under a version; None where none is kept."""
        with self._connection.cursor(binary=True) as cursor:
            rows = cursor.execute(QUERIES["find"], _of(revision, engine_version)).fetchall()
        if not rows:
            return None
        return read_table(StoredColumn(row["name"], row["form"], tuple(row["shape"]), row["value"]) for row in rows)

    def is_kept(self, revision: int, engine_version: str) -> bool:
        """Whether there is one."""
        row = self._connection.execute(QUERIES["is_kept"], _of(revision, engine_version)).fetchone()
        return row is not None and bool(row["kept"])

    def keep(self, revision: int, engine_version: str, table: CatalogueTable) -> None:
        """Keep a table, unless there is one, and forget those of other revisions."""
        self._connection.execute(QUERIES["forget_others"], {"revision": revision})
        for column in stored_table(table):
            values = vars(column) | {"shape": list(column.shape)} | _of(revision, engine_version)
            self._connection.execute(QUERIES["keep"], values)


def _of(revision: int, engine_version: str) -> dict[str, object]:
    return {"revision": revision, "engine_version": engine_version, "table_form": TABLE_FORM}
