"""Photos in Postgres, of cases and of posted shafts."""

from __future__ import annotations

from uuid import UUID

from uuid6 import uuid7

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.workflows.ports.photos import PhotoEntry, Picture

QUERIES = Queries("photos")


class PhotoStore:
    """Satisfies `service.workflows.ports.photos.PhotoStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def add(
        self,
        key_id: UUID,
        added_by: str,
        picture: Picture,
        *,
        submission_id: UUID | None = None,
        mail_in_id: UUID | None = None,
    ) -> PhotoEntry:
        """Keep a photo."""
        values = {
            "id": UUID(int=uuid7().int),
            "submission_id": submission_id,
            "mail_in_id": mail_in_id,
            "width": picture.width,
            "height": picture.height,
            "image": picture.jpeg,
            "key_id": key_id,
            "added_by": added_by,
        }
        row = self._connection.execute(QUERIES["add"], values).fetchone()
        if row is None:
            raise RuntimeError("a photo was not kept")
        return PhotoEntry(**row)

    def of_case(self, submission_id: UUID) -> tuple[PhotoEntry, ...]:
        """The photos of a case, without the pictures, first to last."""
        rows = self._connection.execute(QUERIES["of_case"], {"submission_id": submission_id})
        return tuple(PhotoEntry(**row) for row in rows)

    def of_mail_in(self, mail_in_id: UUID) -> tuple[PhotoEntry, ...]:
        """The photos of a posted shaft, without the pictures, first to last."""
        rows = self._connection.execute(QUERIES["of_mail_in"], {"mail_in_id": mail_in_id})
        return tuple(PhotoEntry(**row) for row in rows)

    def image(self, of: UUID, photo_id: UUID) -> bytes | None:
        """A photo of a case or of a posted shaft, as JPEG."""
        row = self._connection.execute(QUERIES["image"], {"id": photo_id, "of": of}).fetchone()
        return None if row is None else bytes(row["image"])

    def move(self, submission_id: UUID, into: UUID) -> None:
        """Make the photos of one case another's."""
        self._connection.execute(QUERIES["move"], {"submission_id": submission_id, "into": into})
