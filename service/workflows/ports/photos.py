"""What the work with photos needs of the world, as Protocols."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol
from uuid import UUID


@dataclass(frozen=True)
class Picture:
    """A photo as it is kept: a JPEG that was made here."""

    jpeg: bytes
    width: int
    height: int


@dataclass(frozen=True)
class PhotoEntry:
    """A photo as it is listed."""

    id: UUID
    width: int
    height: int
    added_by: str
    added_at: datetime


class PhotoMaker(Protocol):
    """Whoever makes photos anew."""

    def remake(self, sent: bytes) -> Picture:
        """The picture in what was sent and nothing else; raises `InvalidInput`."""
        ...


class PhotoStore(Protocol):
    """Photos, each of a case or of a posted shaft."""

    def add(
        self,
        key_id: UUID,
        added_by: str,
        picture: Picture,
        *,
        submission_id: UUID | None = None,
        mail_in_id: UUID | None = None,
    ) -> PhotoEntry:
        """Keep a photo, of the one or the other."""
        ...

    def of_case(self, submission_id: UUID) -> tuple[PhotoEntry, ...]:
        """The photos of a case, without the pictures, first to last."""
        ...

    def image(self, of: UUID, photo_id: UUID) -> bytes | None:
        """A photo of the case or posted shaft `of`, as JPEG."""
        ...

    def move(self, submission_id: UUID, into: UUID) -> None:
        """Make the photos of one case another's."""
        ...
