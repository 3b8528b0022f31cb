"""What a store is built on."""

from __future__ import annotations

import time
from collections.abc import Generator
from typing import Any, TypeAlias

import psycopg
from psycopg.rows import DictRow

Connection: TypeAlias = psycopg.Connection[DictRow]
"""A connection inside a transaction; rows come back as dictionaries."""


class ServerSilent(psycopg.OperationalError):
    """Postgres took what it was asked and has not said a word since."""


class PatientConnection(psycopg.Connection[DictRow]):
    """A connection that waits so long for a word from the server, and then gives it up and itself with it.

    Postgres' own limit on a statement ends nothing where Postgres itself stands still, or its machine is gone without a
    farewell; and while a frozen server's machine lives, TCP has nothing to complain of.
    """

    patience_s = 7.0

    allowed_s = 0.0
    """What a transaction that takes its time allows beyond that, until it ends."""

    def wait(self, gen: Generator[Any, Any, Any], *args: Any, **options: Any) -> Any:
        """Wait for what was asked; raises `ServerSilent`, and is closed then."""
        try:
            return super().wait(_patient(gen, max(self.patience_s, self.allowed_s)), *args, **options)
        except ServerSilent:
            self.pgconn.finish()
            raise


def _patient(asked: Generator[Any, Any, Any], patience_s: float) -> Generator[Any, Any, Any]:
    """`asked`, ended by `ServerSilent` when nothing has come for so long. psycopg looks in ten times a second."""
    try:
        wanted = next(asked)
        since = time.monotonic()
        while True:
            ready = yield wanted
            if ready:
                since = time.monotonic()
            elif time.monotonic() - since > patience_s:
                raise ServerSilent(f"nothing came from Postgres in {patience_s:g} s")
            wanted = asked.send(ready)
    except StopIteration as done:
        return done.value
