"""Spans: what is being done, from when to when, for whoever traces the service. Until a tracer is set, all of it is
nothing and costs next to nothing.

A process has one tracer, set where the service is wired. What a span says is codes, counts and names of ours: never
what a caller wrote, an address, a link or the text of an exception.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AbstractContextManager, nullcontext
from enum import Enum
from typing import Protocol


class Kind(Enum):
    """Which side of what a span is: inside this process, answering, asking another process, or doing a job."""

    INTERNAL = "internal"
    SERVER = "server"
    CLIENT = "client"
    CONSUMER = "consumer"


class Span(Protocol):
    """Something that is being done."""

    def say(self, **attributes: str | int | float | bool) -> None:
        """Say more of it; in names two underscores are a dot."""
        ...

    def rename(self, name: str) -> None:
        """Name it by what was found out of it since."""
        ...

    def failed(self, how: str) -> None:
        """Say that it failed, and how in one word. A span that ends by an exception says so itself."""
        ...


class Tracer(Protocol):
    """Takes spans, and knows which one this thread is in."""

    def span(
        self,
        name: str,
        kind: Kind,
        attributes: Mapping[str, str | int | float | bool],
        after: str | None,
        *,
        linked: bool,
    ) -> AbstractContextManager[Span]:
        """A span inside the present one, or under the one that `after` (a W3C `traceparent`) names; `linked` to that
        one where it has ended long since, and no part of it."""
        ...

    def trace_id(self) -> str | None:
        """The present trace, in hexadecimal."""
        ...

    def carried(self) -> str | None:
        """The present span as a W3C `traceparent`, for a process that goes on from it."""
        ...


class _Nothing:
    """Satisfies `Span` and `Tracer`, and does nothing."""

    def say(self, **attributes: str | int | float | bool) -> None:
        pass

    def rename(self, name: str) -> None:
        pass

    def failed(self, how: str) -> None:
        pass

    def span(self, *_: object, **__: object) -> AbstractContextManager[Span]:
        return _NO_SPAN

    def trace_id(self) -> None:
        return None

    def carried(self) -> None:
        return None


_NOTHING = _Nothing()
UNTRACED: Span = _NOTHING
"""A span that nobody takes."""

_NO_SPAN: AbstractContextManager[Span] = nullcontext(_NOTHING)
_tracer: Tracer = _NOTHING


def use(tracer: Tracer | None) -> Tracer:
    """Give spans to `tracer` from now on, None to nobody; returns who took them before."""
    global _tracer
    before, _tracer = _tracer, _NOTHING if tracer is None else tracer
    return before


def are_taken() -> bool:
    """Whether anybody takes spans."""
    return _tracer is not _NOTHING


def span(
    name: str,
    kind: Kind = Kind.INTERNAL,
    *,
    after: str | None = None,
    linked: bool = False,
    **attributes: str | int | float | bool,
) -> AbstractContextManager[Span]:
    """A span of what is done inside the `with`; in names of attributes two underscores are a dot.

    `after` is a W3C `traceparent` from elsewhere that it goes on from, or with `linked` merely comes from.
    """
    if _tracer is _NOTHING:
        return _NO_SPAN
    return _tracer.span(name, kind, attributes, after, linked=linked)


def trace_id() -> str | None:
    """The present trace, in hexadecimal; None where there is none."""
    return _tracer.trace_id()


def carried() -> str | None:
    """The present span as a W3C `traceparent`; None where there is none."""
    return _tracer.carried()
