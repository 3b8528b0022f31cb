"""The reference of a case: eight digits to be read aloud, the last of them a check digit.

Digits alone, since letters are misheard (B, D, E, P, T; M, N), and every telephone has them. The check digit is that
of ISO/IEC 7064, MOD 11,10: a single wrong digit never passes. It is written and said in two groups of four.
"""

from __future__ import annotations

import re

from stdnum.exceptions import ValidationError
from stdnum.iso7064 import mod_11_10

REFERENCES = 9_000_000
"""How many references there are: seven digits before the check digit, the first of them not 0."""


def reference_of(number: int) -> str:
    """The reference numbered `number`, 0 <= number < REFERENCES."""
    if not 0 <= number < REFERENCES:
        raise ValueError(f"references are numbered from 0 to {REFERENCES - 1}, not {number}")
    body = str(REFERENCES // 9 + number)
    return body + str(mod_11_10.calc_check_digit(body))


def read_reference(said: str) -> str | None:
    """The reference in what somebody typed or said, spaces and dashes aside; None where its check digit is wrong."""
    digits = re.sub(r"[\s-]", "", said)
    if not re.fullmatch(r"[1-9][0-9]{7}", digits, re.ASCII):
        return None
    try:
        return str(mod_11_10.validate(digits))
    except ValidationError:
        return None


def spoken(reference: str) -> str:
    """A reference as it is written for people: `4829 1573`."""
    return f"{reference[:4]} {reference[4:]}"
