"""How a setting is read from text: each reader gives the value, or raises ValueError with the rest of a sentence that
begins with the setting's name.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Mapping
from pathlib import Path

from limits import parse_many

from service.domain.casework import DEFAULT_REPLY_HOURS, read_reply_hours, reply_hours_text
from service.domain.outbox import can_be_written_to

_KEY_BYTES = 32


def text(value: str) -> str:
    """Text that is not blank."""
    if not value.strip():
        raise ValueError("is empty")
    return value.strip()


def whole(low: int, high: int) -> Callable[[str], int]:
    """A whole number between two bounds, both included."""

    def read(value: str) -> int:
        if not re.fullmatch(r"\d{1,12}", value.strip(), re.ASCII) or not low <= int(value) <= high:
            raise ValueError(f"is not a whole number from {low} to {high}")
        return int(value)

    return read


def number(low: float, high: float) -> Callable[[str], float]:
    """A plain decimal between two bounds, both included."""

    def read(value: str) -> float:
        if not re.fullmatch(r"\d{1,9}(\.\d{1,9})?", value.strip(), re.ASCII) or not low <= float(value) <= high:
            raise ValueError(f"is not a number from {low:g} to {high:g}")
        return float(value)

    return read


def folder(value: str) -> Path:
    """A folder, `~` and all."""
    return Path(text(value)).expanduser().absolute()


def rate(value: str) -> str:
    """A rate or several."""
    try:
        parse_many(value)
    except ValueError:
        raise ValueError("is not a rate such as `30/minute` or `5/second;100/hour`") from None
    return value.strip()


def secrets_keys(value: str) -> str:
    """Fernet keys: 32 random bytes each, in base64 with - and _, parted by commas."""
    keys = [key.strip() for key in value.split(",")]
    for key in keys:
        try:
            is_key = len(base64.urlsafe_b64decode(key.encode("ascii"))) == _KEY_BYTES
        except ValueError:
            is_key = False
        if not is_key:
            raise ValueError("is no key; `lobedesk secrets new-key` makes one")
    return ",".join(keys)


def reply_hours(value: str) -> str:
    """Hours by source of a case."""
    try:
        return reply_hours_text(read_reply_hours(value))
    except ValueError as error:
        raise ValueError(
            f"is not hours by source, such as `{reply_hours_text(DEFAULT_REPLY_HOURS)}`: {error}"
        ) from None


def address(value: str) -> str:
    """An e-mail address."""
    if not can_be_written_to(value.strip()):
        raise ValueError("is not an e-mail address")
    return value.strip()


def flag(value: str) -> bool:
    """Yes or no."""
    said = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}.get(value.strip().lower())
    if said is None:
        raise ValueError("is neither yes nor no")
    return said


def level(value: str) -> str:
    """A level of the log."""
    if value.strip().lower() not in {"debug", "info", "warning", "error"}:
        raise ValueError("is none of debug, info, warning, error")
    return value.strip().lower()


def url(*schemes: str) -> Callable[[str], str]:
    """A URL of one of `schemes`."""

    def read(value: str) -> str:
        if not value.strip().startswith(tuple(f"{scheme}://" for scheme in schemes)):
            # The value may hold a password: it is not repeated.
            raise ValueError(f"does not start with {' or '.join(f'{scheme}://' for scheme in schemes)}")
        return value.strip()

    return read


def default_data_folder(environment: Mapping[str, str]) -> Path:
    """The user's data folder after the XDG base directory specification."""
    home = environment.get("XDG_DATA_HOME", "")
    # The specification says to ignore a relative path.
    base = Path(home) if home.startswith("/") else Path("~/.local/share").expanduser()
    return base.absolute() / "lobedesk"
