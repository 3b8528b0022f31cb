"""Look-alike maps in Postgres: one document for each revision and engine version."""

from __future__ import annotations

import msgspec
from psycopg.types.json import Jsonb

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.adapters.stored_types import reader
from service.identification.look_alikes.look_alike_map import LookAlike

QUERIES = Queries("look_alikes")

_READ_PAIRS = reader(tuple[LookAlike, ...])
_ENCODER = msgspec.json.Encoder(enc_hook=float)
"""Takes numpy's floats too."""


class LookAlikeStore:
    """Satisfies `service.workflows.ports.engine.LookAlikeStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def is_kept(self, revision: int, engine_version: str) -> bool:
        """Whether there is a map of a revision under a version."""
        values = {"revision": revision, "engine_version": engine_version}
        row = self._connection.execute(QUERIES["is_kept"], values).fetchone()
        return row is not None and bool(row["kept"])

    def find(self, revision: int, engine_version: str) -> tuple[LookAlike, ...] | None:
        """The map of a revision under a version; None where it has not been worked out."""
        values = {"revision": revision, "engine_version": engine_version}
        row = self._connection.execute(QUERIES["find"], values).fetchone()
        return None if row is None else _READ_PAIRS(row["pairs"])

    def keep(self, revision: int, engine_version: str, pairs: tuple[LookAlike, ...]) -> None:
        """Keep a map, unless there is one."""
        values = {"revision": revision, "engine_version": engine_version, "pairs": Jsonb(pairs, dumps=_ENCODER.encode)}
        self._connection.execute(QUERIES["keep"], values)

    def forget_others(self, engine_version: str) -> int:
        """Forget the maps under other versions; returns how many."""
        return self._connection.execute(QUERIES["forget_others"], {"engine_version": engine_version}).rowcount
