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

from service.domain.access import Role
from service.domain.errors import Fault, InvalidInput, NotAuthenticated
from service.workflows.ports import KeyRecord, Stores

_ALPHABET = string.digits + string.ascii_uppercase + string.ascii_lowercase
_SECRET_BYTES, _SECRET_LENGTH, _CHECK_LENGTH = 24, 33, 6
_SHAPE = re.compile(rf"lobedesk_({'|'.join(Role)})_[0-9A-Za-z]{{{_SECRET_LENGTH + _CHECK_LENGTH}}}")
LONGEST_NAME = 100


_ORIGIN = re.compile(r"https?://[a-z0-9.-]+(:\d{1,5})?")


def create_key(stores: Stores, role: Role, name: str, origins: tuple[str, ...] = ()) -> str:
    """Make a key and return it; it cannot be shown again.

    `origins` (RFC 6454: scheme, host, port) are the sites a widget key may be used on. Raises `InvalidInput` for a name
    that is no use, for what is no origin, and for origins of a key that is not for a widget.
    """
    if not name.strip() or len(name) > LONGEST_NAME or "\x00" in name:
        detail = f"A key's name has 1 to {LONGEST_NAME} characters and is not blank."
        raise InvalidInput(detail, (Fault("/name", detail),))
    if origins and role is not Role.WIDGET:
        detail = "Only a widget key has origins."
        raise InvalidInput(detail, (Fault("/origins", detail),))
    for place, origin in enumerate(origins):
        if not _ORIGIN.fullmatch(origin):
            detail = f"{origin} is no origin: write it as https://www.shop.example, in small letters, without a path."
            raise InvalidInput(detail, (Fault(f"/origins/{place}", detail),))
    secret = int.from_bytes(secrets.token_bytes(_SECRET_BYTES))
    body = f"lobedesk_{role}_{_base62(secret, _SECRET_LENGTH)}"
    key = body + _check(body)
    with stores.transaction() as transaction:
        transaction.keys.add(digest_of(key), key[-4:], role, name, origins)
    return key


def authenticate(stores: Stores, key: str) -> KeyRecord:
    """Whose key this is; raises `NotAuthenticated` for what is no key, or no longer one of ours."""
    if not _SHAPE.fullmatch(key) or _check(key[:-_CHECK_LENGTH]) != key[-_CHECK_LENGTH:]:
        raise NotAuthenticated("This is no key of this service; look for a letter lost in copying.")
    with stores.transaction() as transaction:
        record = transaction.keys.find(digest_of(key))
    if record is None:
        raise NotAuthenticated("This key is unknown here, or has been revoked.")
    return record


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
