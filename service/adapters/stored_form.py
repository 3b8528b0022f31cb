"""How submissions and answers are kept as JSON: in Postgres for good, in the cache for a while.

A form once written stays readable. Every member is written, also one at its default, so a default may change; a member
may be added if it has a default; anything else takes a new `STORED_FORM` number, and a reader for every number before
it. Lengths are kept as the engine gives them (millimetres), decimals as text.
"""

from __future__ import annotations

from typing import Any

import msgspec

from service.adapters.stored_types import reader
from service.domain.identification import Identification
from service.domain.readings import Reading, Submission

STORED_FORM = 2
"""2 says what was meant where 1 says only that a slip is suspected."""

_READ_ANSWER = reader(Identification)
_READ_WRITTEN_ANSWER = msgspec.json.Decoder(Identification).decode
_WRITE_ANSWER = msgspec.json.Encoder(enc_hook=float).encode  # numpy's floats
_READ_SUBMISSION = reader(Submission)


def answer_to_json(identification: Identification) -> bytes:
    """An answer in the present stored form, written out."""
    return _WRITE_ANSWER(identification)


def answer_from_json(written: bytes | str) -> Identification:
    """An answer out of the present stored form, written out; raises `msgspec.MsgspecError` for what is none."""
    return _READ_WRITTEN_ANSWER(written)


def answer_from_stored(stored: dict[str, Any], form: int = STORED_FORM) -> Identification:
    """An answer out of its stored form `form`; raises ValueError for a form this code does not know."""
    _known(form)
    return _READ_ANSWER(_finite(stored))


def _finite(stored: Any) -> Any:
    """`stored`, whatever it is; engines up to 1.5 now and then took a reading to be worth an infinity of bits, which
    JSON has no word for."""
    match stored:
        case {"next_reading": {"expected_bits": None} as asked}:
            return stored | {"next_reading": asked | {"expected_bits": 0.0}}
        case _:
            return stored


def submission_to_stored(submission: Submission) -> dict[str, Any]:
    """A submission as JSON."""
    stored: dict[str, Any] = msgspec.to_builtins(submission)
    return stored


def submission_from_stored(stored: dict[str, Any], form: int = STORED_FORM) -> Submission:
    """A submission out of its stored form."""
    _known(form)
    return _READ_SUBMISSION(stored)


def readings_to_stored(readings: tuple[Reading, ...]) -> list[dict[str, Any]]:
    """Readings as JSON."""
    return list(msgspec.to_builtins(readings))


def _known(form: int) -> None:
    if not 1 <= form <= STORED_FORM:
        raise ValueError(f"stored form {form} is not one this code reads")
