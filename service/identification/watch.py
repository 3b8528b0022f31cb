"""The steps an identification goes through, for whoever watches them: the engine says when it is in which.

What a watcher makes of that, a span or a time, the engine does not know.
"""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from typing import Protocol

POSTERIOR = "posterior"
READINGS = "readings under every slip"
SCREENING = "screening"
STRANGERS = "strangers"
ROUGH = "rough reckoning"
EXACT = "exact likelihood"
NEXT_READING = "next reading"
EVIDENCE = "evidence"
OF_POSTERIOR = (READINGS, SCREENING, STRANGERS, ROUGH, EXACT)
"""What lies within the first."""


class Watch(Protocol):
    """Is told of every step as it begins, and enters and leaves what it returns with it."""

    def __call__(self, step: str, /) -> AbstractContextManager[object]:
        """Something to hold while the step lasts."""
        ...


_NOTHING = nullcontext()


def unwatched(_step: str, /) -> AbstractContextManager[object]:
    """Nobody watches."""
    return _NOTHING
