"""Secrets as they lie in the database: sealed with a key that the database does not have.

Fernet (AES-128 in CBC mode under an HMAC-SHA256) with one key or several: the first seals, every one of them opens, so
that a key can be changed while the service runs. Without a key secrets lie as they are; what was kept so is still read
after a key has come, until it is sealed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from cryptography.fernet import Fernet, InvalidToken, MultiFernet

from service.domain.errors import LobedeskError

_PREFIX = "whsec_"
_MARK = _PREFIX + "~"
"""How a sealed secret begins; no secret of the Standard Webhooks form does, since base64 has no tilde."""


class SealedWithAnotherKey(LobedeskError):
    """A secret in the database opens with none of the keys in LOBEDESK_SECRETS_KEY."""

    code = "sealed_with_another_key"


def new_key() -> str:
    """A key, to be set."""
    return Fernet.generate_key().decode("ascii")


@dataclass(frozen=True)
class Seal:
    """Seals secrets and opens them. `keys` as Fernet writes them, the sealing one first; none to seal nothing."""

    keys: tuple[str, ...] = ()

    @classmethod
    def of(cls, setting: str | None) -> Seal:
        """The seal that LOBEDESK_SECRETS_KEY asks for."""
        return cls(tuple(setting.split(","))) if setting else OPEN

    def close(self, secret: str) -> str:
        """The secret as it is to be kept."""
        return _MARK + self._fernet().encrypt(secret.encode()).decode("ascii") if self.keys else secret

    def open(self, kept: str) -> str:
        """The secret that was kept; raises `SealedWithAnotherKey`."""
        if not self.is_sealed(kept):
            return kept
        if not self.keys:
            raise SealedWithAnotherKey("A webhook's secret is sealed, and LOBEDESK_SECRETS_KEY is not set.")
        try:
            return self._fernet().decrypt(kept.removeprefix(_MARK)).decode()
        except InvalidToken:
            raise SealedWithAnotherKey("No key in LOBEDESK_SECRETS_KEY opens a webhook's secret.") from None

    def close_bytes(self, secret: bytes) -> bytes:
        """`close` for what is kept as bytes."""
        return self.close(secret.decode()).encode()

    def open_bytes(self, kept: bytes) -> bytes:
        """`open` for what is kept as bytes; what does not begin as a sealed secret does may be any bytes."""
        return self.open(kept.decode()).encode() if kept.startswith(_MARK.encode()) else kept

    def opens(self, kept: str) -> bool:
        """Whether this seal opens it, or it lies open."""
        return bool(self.open_all((kept,)))

    def open_all(self, kept: Iterable[str]) -> tuple[str, ...]:
        """The secrets that were kept, or none of them where one does not open."""
        try:
            return tuple(self.open(one) for one in kept)
        except SealedWithAnotherKey:
            return ()

    def is_current(self, kept: str) -> bool:
        """Whether it is kept as it would be now: sealed with the first key, or open where there is none."""
        if not self.keys or not self.is_sealed(kept):
            return not self.keys and not self.is_sealed(kept)
        try:
            Fernet(self.keys[0]).decrypt(kept.removeprefix(_MARK))
        except InvalidToken:
            return False
        return True

    @staticmethod
    def is_sealed(kept: str) -> bool:
        """Whether it lies sealed, with whatever key."""
        return kept.startswith(_MARK)

    def _fernet(self) -> MultiFernet:
        return MultiFernet([Fernet(key) for key in self.keys])


OPEN = Seal()
"""Leaves secrets as they are."""
