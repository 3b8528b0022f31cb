"""What workflows need of a customer's data, as Protocols; `stores.py` has the rest."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol
from uuid import UUID


class PrivacyStore(Protocol):
    """One customer's data, and what is kept no longer than it may be."""

    def cases_of(self, email: str | None, phone: str | None) -> tuple[UUID, ...]:
        """The cases of whoever has this e-mail address or telephone number, oldest first."""
        ...

    def everything(self, submission_id: UUID) -> Mapping[str, Any]:
        """All that is kept of one case, as JSON, under the names of the tables."""
        ...

    def erase(self, submission_id: UUID) -> None:
        """Take everything personal out of a held case; its readings and answers stay, and are nobody's."""
        ...

    def shafts_of(self, email: str | None, phone: str | None, case_ids: tuple[UUID, ...]) -> tuple[UUID, ...]:
        """The posted shafts of whoever has this address or number, beside those of `case_ids`."""
        ...

    def everything_of_shaft(self, mail_in_id: UUID) -> Mapping[str, Any]:
        """All that is kept of one posted shaft, as JSON."""
        ...

    def erase_shaft(self, mail_in_id: UUID) -> None:
        """Take everything personal out of a held shaft; what happened to it stays, and is nobody's."""
        ...

    def forget_shaft_contacts(self, days: int) -> tuple[UUID, ...]:
        """Take the customer out of a few posted shafts unchanged for so many days: which they were."""
        ...

    def forget_shafts(self, days: int) -> tuple[UUID, ...]:
        """Delete a few posted shafts whose journey ended so many days ago and whose case is gone: which they were."""
        ...

    def forget_contacts(self, days: int) -> tuple[UUID, ...]:
        """Erase a few cases unchanged for so many days that still have somebody's name: which they were."""
        ...

    def forget_markings(self, days: int) -> tuple[UUID, ...]:
        """Take the markings out of a few cases unchanged for so many days: which they were."""
        ...

    def forget_notes(self, days: int) -> int:
        """Forget a few notes written so many days ago; how many there were."""
        ...

    def forget_photos(self, days: int) -> int:
        """Forget a few photos added so many days ago; how many there were."""
        ...

    def forget_cases(self, days: int) -> tuple[UUID, ...]:
        """Delete a few cases unchanged for so many days, with all that belongs to them: which they were."""
        ...

    def forget_links(self) -> int:
        """Forget a few return links that have lapsed; how many there were."""
        ...
