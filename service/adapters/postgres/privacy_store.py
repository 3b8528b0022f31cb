"""One customer's data in Postgres, and what is kept no longer than it may be."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries

QUERIES = Queries("privacy")

_OF_A_SHAFT = ("erase_replies", "erase_shafts", "erase_events", "erase_withdrawals", "erase_photos")
_OF_A_CASE = (
    *_OF_A_SHAFT,
    "erase_head",
    "erase_notes",
    "erase_reasons",
    "erase_confirmation_notes",
    "erase_links",
    "erase_letters",
)


class PrivacyStore:
    """Satisfies `service.workflows.ports.privacy.PrivacyStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def cases_of(self, email: str | None, phone: str | None) -> tuple[UUID, ...]:
        """The cases of whoever has this e-mail address or telephone number, oldest first."""
        rows = self._connection.execute(QUERIES["cases_of"], {"email": email, "phone": phone})
        return tuple(row["id"] for row in rows)

    def everything(self, submission_id: UUID) -> Mapping[str, Any]:
        """All that is kept of one case, as JSON, under the names of the tables."""
        row = self._connection.execute(QUERIES["everything"], {"id": submission_id}).fetchone()
        if row is None:
            raise RuntimeError("a case that was just found is gone")
        return row

    def erase(self, submission_id: UUID) -> None:
        """Take everything personal out of a held case."""
        self._erase(_OF_A_CASE, submission_id)

    def shafts_of(self, email: str | None, phone: str | None, case_ids: tuple[UUID, ...]) -> tuple[UUID, ...]:
        """The posted shafts of whoever has this address or number, beside those of `case_ids`."""
        values = {"email": email, "phone": phone, "case_ids": list(case_ids)}
        return tuple(row["id"] for row in self._connection.execute(QUERIES["shafts_of"], values))

    def everything_of_shaft(self, mail_in_id: UUID) -> Mapping[str, Any]:
        """All that is kept of one posted shaft, as JSON."""
        row = self._connection.execute(QUERIES["everything_of_shaft"], {"id": mail_in_id}).fetchone()
        if row is None:
            raise RuntimeError("a shaft that was just found is gone")
        return row

    def erase_shaft(self, mail_in_id: UUID) -> None:
        """Take everything personal out of a held shaft."""
        self._erase(_OF_A_SHAFT, mail_in_id)

    def forget_shaft_contacts(self, days: int) -> tuple[UUID, ...]:
        """Take the customer out of a few posted shafts unchanged for so many days: which they were."""
        forgotten = self._ids("forget_shaft_contacts", days)
        for mail_in_id in forgotten:
            self._erase(("erase_events",), mail_in_id)
        return forgotten

    def forget_shafts(self, days: int) -> tuple[UUID, ...]:
        """Delete a few posted shafts whose journey ended so many days ago and whose case is gone: which they were."""
        return self._ids("forget_shafts", days)

    def forget_contacts(self, days: int) -> tuple[UUID, ...]:
        """Erase a few cases unchanged for so many days that still have somebody's name: which they were."""
        forgotten = self._ids("forget_contacts", days)
        self._connection.execute(QUERIES["forget_letters_of"], {"ids": list(forgotten)})
        return forgotten

    def forget_markings(self, days: int) -> tuple[UUID, ...]:
        """Take the markings out of a few cases unchanged for so many days: which they were."""
        return self._ids("forget_markings", days)

    def forget_notes(self, days: int) -> int:
        """Forget a few notes written so many days ago; how many there were."""
        return self._connection.execute(QUERIES["forget_notes"], {"days": days}).rowcount

    def forget_photos(self, days: int) -> int:
        """Forget a few photos added so many days ago; how many there were."""
        return self._connection.execute(QUERIES["forget_photos"], {"days": days}).rowcount

    def forget_cases(self, days: int) -> tuple[UUID, ...]:
        """Delete a few cases unchanged for so many days: which they were."""
        return self._ids("forget_cases", days)

    def forget_links(self) -> int:
        """Forget a few return links that have lapsed; how many there were."""
        return self._connection.execute(QUERIES["forget_links"]).rowcount

    def _erase(self, erasures: tuple[str, ...], of: UUID) -> None:
        for erasure in erasures:
            self._connection.execute(QUERIES[erasure], {"id": of})

    def _ids(self, name: str, days: int) -> tuple[UUID, ...]:
        return tuple(row["id"] for row in self._connection.execute(QUERIES[name], {"days": days}))
