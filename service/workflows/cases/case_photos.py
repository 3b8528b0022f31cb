"""Photos that come with a submission, for the desk to look at: no answer goes by them."""

from __future__ import annotations

from uuid import UUID

from service.domain.access import STAFF
from service.domain.errors import Conflict, NotFound
from service.workflows.identifying.identify import hold_to_add_to, read_submission
from service.workflows.ports.photos import PhotoEntry, Picture
from service.workflows.ports.stores import KeyRecord, Transaction

MOST_CUSTOMER_PHOTOS = 6
MOST_CASE_PHOTOS = 20


def add_case_photo(
    transaction: Transaction, key: KeyRecord, submission_id: UUID, picture: Picture
) -> tuple[UUID, PhotoEntry]:
    """Keep a photo of a submission that is this key's to see; also returns the case it is kept with.

    Raises `NotFound`, and `Conflict` where there are enough of it or the case is closed to its customer.
    """
    _, case = hold_to_add_to(transaction, key, submission_id)
    if case.closed_at is not None and key.role not in STAFF:
        raise Conflict("This case is closed.")
    most = MOST_CASE_PHOTOS if key.role in STAFF else MOST_CUSTOMER_PHOTOS
    if len(transaction.photos.of_case(case.id)) >= most:
        raise Conflict(f"There are {most} photos of this shaft already.")
    photo = transaction.photos.add(key.id, key.name, picture, submission_id=case.id)
    transaction.trail.add(key.id, key.name, "photo_added", case.id)
    return case.id, photo


def list_case_photos(transaction: Transaction, key: KeyRecord, submission_id: UUID) -> tuple[PhotoEntry, ...]:
    """The photos of a submission, first to last; raises `NotFound` where there is no such submission."""
    return transaction.photos.of_case(read_submission(transaction, key, submission_id).id)


def find_case_photo(transaction: Transaction, key: KeyRecord, submission_id: UUID, photo_id: UUID) -> bytes:
    """A photo of a submission, as JPEG; that it was seen is noted. Raises `NotFound`."""
    jpeg = transaction.photos.image(submission_id, photo_id)
    if jpeg is None:
        raise NotFound("There is no such photo of this submission.")
    transaction.trail.add(key.id, key.name, "photo_seen", submission_id)
    return jpeg
