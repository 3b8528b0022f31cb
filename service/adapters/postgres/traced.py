"""A cursor whose every statement is a span, named as the statement is in `sql/`. Values never go into it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Self

import psycopg
from psycopg.abc import Params

from service.adapters.postgres.queries import name_of
from service.spans import Kind, span


class TracedCursor(psycopg.Cursor[Any]):
    """For the pool of a process that is traced."""

    def execute(
        self, query: Any, params: Params | None = None, *, prepare: bool | None = None, binary: bool | None = None
    ) -> Self:
        """Execute a statement."""
        with span(name_of(query), Kind.CLIENT, db__system__name="postgresql"):
            return super().execute(query, params, prepare=prepare, binary=binary)

    def executemany(self, query: Any, params_seq: Iterable[Params], *, returning: bool = False) -> None:
        """Execute a statement for each of several sets of values."""
        with span(name_of(query), Kind.CLIENT, db__system__name="postgresql"):
            super().executemany(query, params_seq, returning=returning)
