"""Requests at a server: as many as it takes, or at a rate. One thread a connection, kept alive; nothing parsed twice.

How long a request took is counted from when it was due, not from when a connection was free for it: a server that
stalls is charged for everybody who waits.
"""

from __future__ import annotations

import itertools
import socket
import threading
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from urllib.parse import urlsplit

import numpy as np


@dataclass(frozen=True)
class Load:
    """What came of a load: seconds it lasted, and of each answered request the milliseconds it took."""

    seconds: float
    waits_ms: np.ndarray
    reply_bytes: float

    @property
    def rate(self) -> float:
        """Requests answered a second."""
        return len(self.waits_ms) / self.seconds

    def quantile_ms(self, share: float) -> float:
        """The milliseconds within which that share of requests was answered."""
        return float(np.quantile(self.waits_ms, share))


KEPT_ALIVE_S = 3.0
"""The service closes a connection that has been idle for 5 s; one that is near that is made anew."""


class Connection:
    """One connection that is kept alive."""

    def __init__(self, url: str) -> None:
        parts = urlsplit(url)
        self._address = (parts.hostname, parts.port)
        self._connect()

    def _connect(self) -> None:
        self._socket = socket.create_connection(self._address, timeout=120)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._used = time.monotonic()

    def send(self, request: bytes) -> tuple[int, bytes]:
        """Status and body."""
        head, body = self.exchange(request)
        return int(head[9:12]), body

    def exchange(self, request: bytes) -> tuple[bytes, bytes]:
        """The reply's head in small letters, and its body."""
        if time.monotonic() - self._used > KEPT_ALIVE_S:
            self.close()
            self._connect()
        self._socket.sendall(request)
        got = b""
        while (end := got.find(b"\r\n\r\n")) < 0:
            got += self._more()
        head = got[:end].lower()
        length = int(head.split(b"content-length:", 1)[1].split(b"\r\n", 1)[0])
        while len(got) < end + 4 + length:
            got += self._more()
        self._used = time.monotonic()
        return head, got[end + 4 :]

    def _more(self) -> bytes:
        more = self._socket.recv(262_144)
        if not more:
            raise ConnectionError("the server has closed the connection")
        return more

    def close(self) -> None:
        """Close it."""
        self._socket.close()


def post(url: str, path: str, key: str, body: bytes, once: str | None = None) -> bytes:
    """A whole request, ready to send; `once` is its Idempotency-Key."""
    named = "" if once is None else f"Idempotency-Key: {once}\r\n"
    return (
        f"POST {path} HTTP/1.1\r\nHost: {urlsplit(url).netloc}\r\nAuthorization: Bearer {key}\r\n{named}"
        f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
    ).encode() + body


def as_fast_as_answered(url: str, requests: Sequence[bytes], connections: int) -> Load:
    """Each request once, on so many connections at a time; raises `AssertionError` for an answer that is not 201."""
    return _run(url, requests, [0.0] * len(requests), connections, paced=False)


def at_a_rate(url: str, requests: Sequence[bytes], per_second: float, connections: int, seed: int = 1) -> Load:
    """Each request once, arriving at random as independent callers do, at so many a second on average."""
    gaps = np.random.default_rng(seed).exponential(1 / per_second, len(requests))
    return _run(url, requests, np.cumsum(gaps).tolist(), connections, paced=True)


def _run(url: str, requests: Sequence[bytes], due: Sequence[float], connections: int, *, paced: bool) -> Load:
    places: Iterator[int] = itertools.count()
    waits = np.empty(len(requests))
    sizes = np.empty(len(requests))
    ready = threading.Barrier(connections + 1)

    def work() -> None:
        connection = Connection(url)
        try:
            ready.wait()
            while (place := next(places)) < len(requests):
                at = began[0] + due[place]
                if paced:
                    pause = at - time.perf_counter()
                    if pause > 0:
                        time.sleep(pause)
                else:
                    at = time.perf_counter()
                status, body = connection.send(requests[place])
                waits[place] = 1000 * (time.perf_counter() - at)
                sizes[place] = len(body)
                assert status == 201, body
        finally:
            connection.close()

    began = [0.0]
    with ThreadPoolExecutor(connections) as workers:
        running = [workers.submit(work) for _ in range(connections)]
        began[0] = time.perf_counter()
        ready.wait()
        for each in running:
            each.result()
    return Load(time.perf_counter() - began[0], waits, float(sizes.mean()))
