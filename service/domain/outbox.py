"""What leaves the house: messages that wait in the outbox, the moves they may make, and when one is tried again."""

from __future__ import annotations

import hashlib
import ipaddress
import re
from enum import StrEnum
from urllib.parse import urlsplit
from uuid import UUID

from service.domain.errors import LobedeskError


class Channel(StrEnum):
    """How a message travels."""

    EMAIL = "email"
    WEBHOOK = "webhook"


class MessageState(StrEnum):
    """Where a message stands. `sent` is what the other side has acknowledged; `dead` waits for a person."""

    WAITING = "waiting"
    SENT = "sent"
    DEAD = "dead"


class Topic(StrEnum):
    """What a message is about; a webhook's `type`."""

    LETTER_ISSUED = "letter.issued"
    MAIL_IN_CHANGED = "mail_in.changed"
    CASE_ORDERED = "case.ordered"


class NotDelivered(LobedeskError):
    """The other side did not take the message.

    `for_good` where trying again would change nothing; `gone` where the address has said it wants no more.
    """

    code = "not_delivered"

    def __init__(self, message: str, *, for_good: bool = False, gone: bool = False) -> None:
        super().__init__(message[:MOST_ERROR])
        self.for_good = for_good or gone
        self.gone = gone


MOST_ERROR = 500
"""Characters kept of what the other side said."""

SENT_KEPT_DAYS = 90
"""Days a message is kept once the other side has it, so that it can be sent again by hand."""

PAUSES_S: tuple[int, ...] = (5, 300, 1_800, 7_200, 18_000, 36_000, 50_400, 72_000, 86_400)
"""Seconds from each failed attempt to the next: 5 s, 5 min, 30 min, 2, 5, 10, 14, 20 and 24 h.

The schedule that the Standard Webhooks specification suggests (section "Deliverability and reliability"); e-mail keeps
to it as well. The message is dead after the last.
"""

SPREAD = 0.2
"""Each pause is up to this share longer, so that what failed together is not tried again all at once."""


def pause_after(message_id: UUID, attempts: int) -> float | None:
    """Seconds from the failure of attempt number `attempts` (from 1) to the next; None where there is no next.

    The spread is drawn from the message's id, so that the same attempt always has the same pause.
    """
    if attempts > len(PAUSES_S):
        return None
    drawn = int.from_bytes(hashlib.sha256(message_id.bytes + bytes([attempts])).digest()[:4]) / 2**32
    return PAUSES_S[attempts - 1] * (1 + SPREAD * drawn)


_MAIL_ADDRESS = re.compile(
    r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]+@"
    r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?(?:\.[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?)*"
)
"""A valid e-mail address as the HTML standard has it (section "E-mail state"): what a mail server makes sense of."""


def can_be_written_to(address: str) -> bool:
    """Whether mail can be sent to `address`; a form may have let more through."""
    return len(address) <= 254 and _MAIL_ADDRESS.fullmatch(address) is not None


NAT64 = ipaddress.ip_network("64:ff9b::/96")
"""IPv4 addresses written as IPv6 (RFC 6052)."""


def is_public(address: str) -> bool:
    """Whether an IP address lies in the open internet: not private, not local, not reserved, by whatever spelling."""
    ip = ipaddress.ip_address(address.partition("%")[0])
    if isinstance(ip, ipaddress.IPv6Address):
        if ip.ipv4_mapped is not None:
            return is_public(str(ip.ipv4_mapped))
        if ip in NAT64:
            return is_public(str(ipaddress.IPv4Address(int(ip) & 0xFFFF_FFFF)))
        if ip.sixtofour is not None or ip.teredo is not None or ip.is_site_local:
            return False
    return ip.is_global and not ip.is_multicast


def fault_of_url(url: str, *, private: bool) -> str | None:
    """Why `url` cannot be a webhook's address; None where it can.

    Where `private` addresses are allowed so is plain HTTP. A name is looked up when a message is sent, not here.
    """
    if not re.fullmatch(r"[!-~]{1,500}", url):
        return "Must be an address of 1 to 500 visible ASCII characters."
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname, parts.port
    except ValueError:
        return "Is not an address."
    if parts.scheme not in ("https", "http") or not host:
        return "Must begin with https:// and a host."
    if parts.username is not None or parts.password is not None or parts.fragment:
        return "Must hold no user, no password and no fragment."
    if private:
        return None
    if parts.scheme != "https":
        return "Must begin with https://."
    try:
        public = is_public(host)
    except ValueError:
        public = host.rstrip(".").lower() != "localhost" and not host.rstrip(".").lower().endswith(".localhost")
    return None if public else "Must not be a private address."
