"""API keys: made once, shown once, kept only as a hash.

A key reads `lobedesk_ROLE_` and 39 letters and digits: 24 random bytes in base 62, then the CRC-32 of all that
stands before it, so that a mistyped key is told from a revoked one without asking the store, and a leaked one is
easy for a scanner to recognise. The secret has 192 random bits, so a plain SHA-256 is enough to keep it by.
"""

from __future__ import annotations

import hashlib
import re
import secrets
import string
import zlib
from datetime import UTC, datetime, timedelta
from uuid import UUID

from service.domain.access import NewKey, Role
from service.domain.errors import Conflict, Fault, InvalidInput, NotAuthenticated, NotFound
from service.workflows.ports.stores import KeyEntry, KeyRecord, Stores, Transaction

_ALPHABET = string.digits + string.ascii_uppercase + string.ascii_lowercase
_SECRET_BYTES, _SECRET_LENGTH, _CHECK_LENGTH = 24, 33, 6
_SHAPE = re.compile(rf"lobedesk_({'|'.join(Role)})_[0-9A-Za-z]{{{_SECRET_LENGTH + _CHECK_LENGTH}}}")
LONGEST_NAME = 100
THE_MACHINE = "command line"
"""Who made a key where nobody's was asked for, as the trail has it."""
LONGEST_OVERLAP = timedelta(days=90)
"""How long a key may go on working beside the one that takes over from it."""

_ORIGIN = re.compile(r"https?://[a-z0-9.-]+(:\d{1,5})?")


def create_key(
    stores: Stores,
    role: Role,
    name: str,
    origins: tuple[str, ...] = (),
    expires_at: datetime | None = None,
    *,
    shared: bool = False,
) -> str:
    """Make a key on the machine itself, where nobody's key is asked for, and return it; it cannot be shown again.

    Raises `InvalidInput` as `make_key` does.
    """
    with stores.transaction() as transaction:
        _, key = make_key(transaction, None, NewKey(role, name, origins, expires_at, shared))
    return key


def make_key(transaction: Transaction, by: KeyRecord | None, wanted: NewKey) -> tuple[KeyEntry, str]:
    """Make a key: as it is listed, and itself, which cannot be shown again. `by` is None on the machine itself.

    `origins` (RFC 6454: scheme, host, port) are the sites a widget key may be used on. Raises `InvalidInput` for a name
    that is no use, for what is no origin, for origins of a key that is not for a widget, for a widget key that is to be
    shared, and for a time that is over.
    """
    _check_wanted(wanted)
    return _made(transaction, by, wanted, "key_made")


def all_keys(stores: Stores) -> tuple[KeyEntry, ...]:
    """Every key, oldest first, those that work no more among them."""
    with stores.transaction() as transaction:
        return transaction.keys.all()


def rotate_key(
    transaction: Transaction, by: KeyRecord | None, key_id: UUID, overlap: timedelta
) -> tuple[KeyEntry, str]:
    """Make a key that takes over from another, which goes on working for `overlap`: as `make_key`.

    Raises `NotFound`, `Conflict` for a key that does not work any more, and `InvalidInput` for an overlap too long.
    """
    if not timedelta(0) <= overlap <= LONGEST_OVERLAP:
        detail = f"The old key may go on working for 0 to {LONGEST_OVERLAP.days} days."
        raise InvalidInput(detail, (Fault("/overlap_hours", detail),))
    old = _working(transaction, key_id)
    record = old.record
    wanted = NewKey(record.role, record.name, record.origins, shared=record.shared)
    made = _made(transaction, by, wanted, "key_rotated", old=str(key_id))
    transaction.keys.expire(key_id, overlap)
    return made


def revoke_key(transaction: Transaction, by: KeyRecord | None, key_id: UUID) -> KeyEntry:
    """Stop a key, in every process at once.

    Raises `NotFound`, and `Conflict` for a key that does not work any more and for the last admin key that works for
    good, without which nobody could make another from afar.
    """
    # the admin keys first, always in one order: two admins who stop each other's keys wait, and do not deadlock
    admins = transaction.keys.hold_admins()
    _working(transaction, key_id)
    if admins == {key_id}:
        raise Conflict("This is the last admin key that does not expire. Make another first.")
    transaction.keys.revoke(key_id)
    _note(transaction, by, "key_revoked", key=str(key_id))
    return _held(transaction, key_id)


def _made(
    transaction: Transaction, by: KeyRecord | None, wanted: NewKey, action: str, **details: str
) -> tuple[KeyEntry, str]:
    secret = int.from_bytes(secrets.token_bytes(_SECRET_BYTES))
    body = f"lobedesk_{wanted.role}_{_base62(secret, _SECRET_LENGTH)}"
    key = body + _check(body)
    key_id = transaction.keys.add(digest_of(key), key[-4:], wanted)
    _note(transaction, by, action, key=str(key_id), role=wanted.role.value, **details)
    return _held(transaction, key_id), key


def _note(transaction: Transaction, by: KeyRecord | None, action: str, **details: str) -> None:
    key_id, who = (None, THE_MACHINE) if by is None else (by.id, by.name)
    transaction.trail.add(key_id, who, action, None, **details)


def _working(transaction: Transaction, key_id: UUID) -> KeyEntry:
    entry = _held(transaction, key_id)
    if not entry.works(datetime.now(UTC)):
        raise Conflict("This key does not work any more.")
    return entry


def _held(transaction: Transaction, key_id: UUID) -> KeyEntry:
    entry = transaction.keys.hold(key_id)
    if entry is None:
        raise NotFound("There is no such key.")
    return entry


def _check_wanted(wanted: NewKey) -> None:
    if not wanted.name.strip() or len(wanted.name) > LONGEST_NAME or "\x00" in wanted.name:
        detail = f"A key's name has 1 to {LONGEST_NAME} characters and is not blank."
        raise InvalidInput(detail, (Fault("/name", detail),))
    if wanted.origins and wanted.role is not Role.WIDGET:
        detail = "Only a widget key has origins."
        raise InvalidInput(detail, (Fault("/origins", detail),))
    if wanted.shared and wanted.role is Role.WIDGET:
        detail = "Nobody sits at a widget key."
        raise InvalidInput(detail, (Fault("/shared", detail),))
    for place, origin in enumerate(wanted.origins):
        if not _ORIGIN.fullmatch(origin):
            detail = f"{origin} is no origin: write it as https://www.shop.example, in small letters, without a path."
            raise InvalidInput(detail, (Fault(f"/origins/{place}", detail),))
    if wanted.expires_at is not None and wanted.expires_at <= datetime.now(UTC):
        detail = "That time is over."
        raise InvalidInput(detail, (Fault("/expires_at", detail),))


def authenticate(stores: Stores, key: str) -> KeyRecord:
    """Whose key this is; raises `NotAuthenticated` for what is no key, or no longer one of ours."""
    if not _SHAPE.fullmatch(key) or _check(key[:-_CHECK_LENGTH]) != key[-_CHECK_LENGTH:]:
        raise NotAuthenticated("This is no key of this service; look for a letter lost in copying.")
    record = stores.look(lambda transaction: transaction.keys.find(digest_of(key)))
    if record is None:
        raise NotAuthenticated("This key is unknown here, has expired, or has been revoked.")
    return record


def name_on(key: KeyRecord, person: str | None, pointer: str = "/person") -> str:
    """Whose name goes on what is done with a key; raises `InvalidInput` where a shared one does not say who it is."""
    if person is None and key.shared:
        raise InvalidInput(faults=(Fault(pointer, "Several people share this key: say which of them you are."),))
    return person or key.name


def digest_of(key: str) -> bytes:
    """What a key is kept by."""
    return hashlib.sha256(key.encode("ascii")).digest()


def _check(body: str) -> str:
    return _base62(zlib.crc32(body.encode("ascii")), _CHECK_LENGTH)


def _base62(number: int, length: int) -> str:
    digits = []
    for _ in range(length):
        number, digit = divmod(number, 62)
        digits.append(_ALPHABET[digit])
    return "".join(reversed(digits))
