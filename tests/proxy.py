"""What stands in front of several instances: it hands a request to the next, and on to another where one is lost.

Only as much of a proxy as the tests need: bodies whole, one answer a request, no TLS.
"""

from __future__ import annotations

import http.client
import itertools
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import urlsplit

PATIENCE_S = 15.0
"""How long an instance may take to answer before it counts as lost."""

CONNECTED_S = 1.0
_PASSED_ON = ("Content-Type", "ETag", "Retry-After", "Location")
_TAKEN_ON = ("Authorization", "Content-Type", "Idempotency-Key", "If-Match")


class Proxy:
    """Hands requests to `instances`, in turn. One that is lost is asked no more until it is put in again.

    What an instance did not answer is asked of the next: of reads and of writes under an `Idempotency-Key`, which the
    service does once however often they come. A write without one gets 502, since nobody knows whether it was done.
    """

    def __init__(self) -> None:
        self.instances: list[str] = []
        self.lost: list[str] = []
        self._turn = itertools.count()
        self._lock = threading.Lock()
        self._at: dict[str, int] = {}
        self._free = threading.Condition(self._lock)
        self.url = ""

    def put_in(self, url: str) -> None:
        """Hand requests to this instance too."""
        with self._lock:
            self.instances.append(url)

    def take_out(self, url: str) -> None:
        """Hand no more requests to this instance, and wait for its answers to those it has."""
        with self._free:
            self.instances = [one for one in self.instances if one != url]
            self._free.wait_for(lambda: not self._at.get(url), timeout=60)

    def answer(self, asked: _Asked) -> None:
        """Answer one request."""
        length = int(asked.headers.get("Content-Length") or 0)
        body = asked.rfile.read(length) if length else None
        headers = {name: asked.headers[name] for name in _TAKEN_ON if asked.headers[name]}
        repeatable = asked.command == "GET" or "Idempotency-Key" in headers
        tried: set[str] = set()
        while (url := self._next(tried)) is not None:
            tried.add(url)
            try:
                status, given, content = self._asked_of(url, asked.command, asked.path, body, headers)
            except (OSError, http.client.HTTPException):
                with self._lock:
                    self.instances = [one for one in self.instances if one != url]
                    self.lost.append(url)
                if not repeatable:
                    _send(asked, 502, {}, b'{"detail": "an instance was lost"}')
                    return
            else:
                _send(asked, status, given, content)
                return
        _send(asked, 503, {"Retry-After": "1"}, b'{"detail": "no instance is there"}')

    def _next(self, tried: set[str]) -> str | None:
        with self._lock:
            there = [one for one in self.instances if one not in tried]
            if not there:
                return None
            url = there[next(self._turn) % len(there)]
            self._at[url] = self._at.get(url, 0) + 1
            return url

    def _asked_of(
        self, url: str, method: str, path: str, body: bytes | None, headers: dict[str, str]
    ) -> tuple[int, dict[str, str], bytes]:
        connection = http.client.HTTPConnection(urlsplit(url).netloc, timeout=CONNECTED_S)
        try:
            connection.connect()
            connection.sock.settimeout(PATIENCE_S)
            connection.request(method, path, body, headers)
            response = connection.getresponse()
            content = response.read()
            return response.status, {n: response.headers[n] for n in _PASSED_ON if response.headers[n]}, content
        finally:
            connection.close()
            with self._free:
                self._at[url] -= 1
                self._free.notify_all()


class _Asked(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    proxy: Proxy

    def do_GET(self) -> None:
        self.proxy.answer(self)

    def do_POST(self) -> None:
        self.proxy.answer(self)

    def log_message(self, format: str, *args: object) -> None:
        pass


def _send(asked: _Asked, status: int, headers: dict[str, str], content: bytes) -> None:
    asked.send_response(status)
    for name, value in ({"Content-Type": "application/json"} | headers).items():
        asked.send_header(name, value)
    asked.send_header("Content-Length", str(len(content)))
    asked.send_header("Connection", "close")
    asked.end_headers()
    asked.wfile.write(content)


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    request_queue_size = 128


@contextmanager
def own_proxy() -> Iterator[Proxy]:
    """A proxy on a port of its own."""
    proxy = Proxy()
    with _Server(("127.0.0.1", 0), type("Asked", (_Asked,), {"proxy": proxy})) as server:
        proxy.url = f"http://127.0.0.1:{server.server_address[1]}"
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        try:
            yield proxy
        finally:
            server.shutdown()
            thread.join()
