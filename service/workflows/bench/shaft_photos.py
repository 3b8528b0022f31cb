"""Photos of posted shafts, taken here."""

from __future__ import annotations

from uuid import UUID

from service.domain.errors import Conflict, NotFound
from service.domain.mail_in import MailInState
from service.workflows.ports.mail_ins import MailIn
from service.workflows.ports.photos import Picture
from service.workflows.ports.stores import KeyRecord, Transaction

MOST_PHOTOS = 20


def add_photo(transaction: Transaction, key: KeyRecord, mail_in: MailIn, picture: Picture) -> UUID:
    """Keep a photo of a held shaft; raises `Conflict` where there are enough of it, or it has not come yet."""
    if mail_in.state is MailInState.ANNOUNCED:
        raise Conflict("This shaft has not come yet; record that it was received first.")
    if len(mail_in.photos) >= MOST_PHOTOS:
        raise Conflict(f"There are {MOST_PHOTOS} photos of this shaft already.")
    photo = transaction.photos.add(key.id, key.name, picture, mail_in_id=mail_in.id)
    transaction.mail_ins.touch(mail_in.id)
    transaction.trail.add(key.id, key.name, "photo_added", mail_in.submission_id, mail_in=str(mail_in.id))
    return photo.id


def find_photo(transaction: Transaction, key: KeyRecord, mail_in_id: UUID, photo_id: UUID) -> bytes:
    """A photo of a shaft, as JPEG; that it was seen is noted. Raises `NotFound`."""
    image = transaction.photos.image(mail_in_id, photo_id)
    if image is None:
        raise NotFound("There is no such photo of this shaft.")
    transaction.trail.add(key.id, key.name, "photo_seen", None, mail_in=str(mail_in_id))
    return image
