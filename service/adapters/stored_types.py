"""Reading what was kept into our own types."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import msgspec

Value = TypeVar("Value")


def reader(kind: type[Value]) -> Callable[[Any], Value]:
    """What makes values of a type out of their stored form; raises `msgspec.ValidationError` for what is none.

    Make it where a module is imported. msgspec remembers a class from the first time it meets it, and a second thread
    that meets it while the first is half way through reads what is not there yet, which ends the process (0.22).
    """
    msgspec.json.Decoder(kind)

    def read(stored: Any) -> Value:
        return msgspec.convert(stored, kind)

    return read
