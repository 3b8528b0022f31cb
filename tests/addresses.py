"""Addresses that instances have to themselves: a network namespace each where we may make them, else loopback ones.

A namespace is joined to this one by a link of two ends, which `lose` cuts: what was sent over it is neither answered
nor refused, as when a machine goes. Postgres and Redis are reached through their sockets in the file system from
anywhere.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

_NETWORK = "198.18"  # within what RFC 2544 leaves to tests of devices
PORT = "8080"


@dataclass(frozen=True)
class Address:
    """Where an instance listens, and what its command is begun with to be there."""

    host: str
    before_command: tuple[str, ...] = ()
    namespace: str | None = None

    @property
    def settings(self) -> dict[str, str]:
        """An instance's settings to listen here."""
        return {"LOBEDESK_HTTP_HOST": self.host, "LOBEDESK_HTTP_PORT": PORT}

    def lose(self) -> None:
        """Cut the link, where there is one: at its far end, so that nobody else is asked for the address."""
        if self.namespace is not None:
            _ip("-n", self.namespace, "link", "set", "eth0", "down")


@contextmanager
def own_addresses(count: int) -> Iterator[tuple[Address, ...]]:
    """So many addresses, gone at the end."""
    numbers = range(1, count + 1)
    with ExitStack() as stack:
        try:
            addresses = tuple(stack.enter_context(_namespace(number)) for number in numbers)
        except (OSError, subprocess.CalledProcessError):
            addresses = tuple(Address(f"127.0.0.{number + 1}") for number in numbers)
        yield addresses


@contextmanager
def _namespace(number: int) -> Iterator[Address]:
    name, link = f"lobedesk-{os.getpid()}-{number}", f"ld{os.getpid()}-{number}"
    # runs at the same time are kept apart as well
    ours, theirs = (f"{_NETWORK}.{os.getpid() % 256}.{4 * number + end}" for end in (1, 2))
    _ip("netns", "add", name)
    try:
        _ip("link", "add", link, "type", "veth", "peer", "name", "eth0", "netns", name)
        _ip("addr", "add", f"{ours}/30", "dev", link)
        _ip("link", "set", link, "up")
        _ip("-n", name, "addr", "add", f"{theirs}/30", "dev", "eth0")
        for device in ("eth0", "lo"):
            _ip("-n", name, "link", "set", device, "up")
        yield Address(theirs, ("ip", "netns", "exec", name), name)
    finally:
        _ip("netns", "delete", name)


def _ip(*arguments: str) -> None:
    subprocess.run(["ip", *arguments], check=True, capture_output=True)
