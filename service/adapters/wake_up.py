"""Makes jobs on the connection, and in the transaction, that what they are about is written in."""

from __future__ import annotations

from datetime import datetime
from functools import cache
from typing import Any
from uuid import UUID

import psycopg
from procrastinate import App, SyncPsycopgConnector

from service.spans import carried

DELIVER_MESSAGE = "deliver_message"
"""The job's name; `service.adapters.jobs` has its work."""

ASK_AGAIN = "ask_again"
"""The name of the job that asks open and recent cases again under a new catalogue revision. It is its lock's name too:
two at once would do no harm, but each would work out what the other does."""


def wake_up(connection: psycopg.Connection[Any], message_id: UUID, at: datetime | None = None) -> None:
    """Have a worker look at the message now, or `at` a time; it exists if and only if the transaction commits."""
    _deferrer().configure_task(DELIVER_MESSAGE, schedule_at=at, connection=connection).defer(
        message_id=str(message_id), **_made_in()
    )


def wake_up_to_ask_again(connection: psycopg.Connection[Any], revision: int) -> None:
    """Have a worker ask cases again, once the transaction that makes `revision` the active one commits."""
    _deferrer().configure_task(ASK_AGAIN, lock=ASK_AGAIN, connection=connection).defer(revision=revision, **_made_in())


def _made_in() -> dict[str, str]:
    """The span a job is made in, where somebody traces it: the job says then where it comes from."""
    made_in = carried()
    return {} if made_in is None else {"made_in": made_in}


@cache
def _deferrer() -> App:
    # Never opened: it works on the connections it is handed.
    return App(connector=SyncPsycopgConnector())
