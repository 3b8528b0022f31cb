"""Webhooks, posted with Standard Webhooks signatures to addresses that a stranger may have chosen.

The host's name is looked up here and the address that was checked is the one that is connected to, so that no name can
point one way when it is looked at and another when it is used. Redirects are not followed; of the reply only the
status is read; no exchange takes longer than the limit, however slowly the other side talks.
"""

from __future__ import annotations

import socket
import ssl
import time
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from http import HTTPStatus
from typing import Any

import httpcore
from standardwebhooks.webhooks import Webhook

from service import __version__
from service.domain.outbox import NotDelivered, fault_of_url, is_public
from service.spans import Kind, span
from service.workflows.ports.sending import Hook

TIMEOUT_S = 10.0


@dataclass(frozen=True)
class WebhookPost:
    """Posts webhooks; to `private` addresses and over plain HTTP only where that is allowed.

    `trusted` says whom TLS trusts; None is whom this machine does.
    """

    private: bool = False
    timeout_s: float = TIMEOUT_S
    trusted: ssl.SSLContext | None = None

    def send(self, hook: Hook) -> None:
        """Post it; raises `NotDelivered` unless the answer is a 2xx. The id is the same each time it is posted."""
        fault = fault_of_url(hook.url, private=self.private)
        if fault is not None:
            raise NotDelivered(fault, for_good=True)
        backend = _CheckedBackend(self.private, time.monotonic() + self.timeout_s)
        with httpcore.ConnectionPool(ssl_context=self.trusted or _trusted(), network_backend=backend) as pool:
            try:
                with (
                    span("webhook", Kind.CLIENT, http__request__method="POST") as said,
                    pool.stream(
                        "POST",
                        hook.url,
                        headers=self._headers(hook),
                        content=hook.body.encode(),
                        extensions=self._limits(),
                    ) as response,
                ):
                    status = response.status
                    said.say(http__response__status_code=status)
            except _NotPublic as error:
                raise NotDelivered("The address leads into a private network.") from error
            except (httpcore.NetworkError, httpcore.TimeoutException, httpcore.ProtocolError, OSError) as error:
                raise NotDelivered(f"{type(error).__name__}: {error}") from error
        if not 200 <= status < 300:
            raise NotDelivered(f"answered {status}", gone=status == HTTPStatus.GONE)

    def _headers(self, hook: Hook) -> list[tuple[bytes, bytes]]:
        now = datetime.now(UTC)
        signatures = [Webhook(secret).sign(str(hook.id), now, hook.body) for secret in hook.secrets]
        headers = {
            "Content-Type": "application/json",
            "User-Agent": f"lobedesk/{__version__}",
            "webhook-id": str(hook.id),
            "webhook-timestamp": str(int(now.timestamp())),
            "webhook-signature": " ".join(signatures),
        }
        return [(name.encode(), value.encode()) for name, value in headers.items()]

    def _limits(self) -> dict[str, Any]:
        return {"timeout": dict.fromkeys(("connect", "read", "write", "pool"), self.timeout_s)}


@cache
def _trusted() -> ssl.SSLContext:
    """Whom TLS trusts. Read once: reading the authorities takes far longer than posting a message."""
    return ssl.create_default_context()


class _NotPublic(Exception):
    """A name leads into a private network."""


class _Hurried(httpcore.NetworkStream):
    """A stream that is over at a deadline, even when every single read of it is quick."""

    def __init__(self, inner: httpcore.NetworkStream, deadline: float) -> None:
        self._inner = inner
        self._deadline = deadline

    def _left(self, timeout: float | None) -> float:
        left = self._deadline - time.monotonic()
        if left <= 0:
            raise httpcore.ReadTimeout("took too long altogether")
        return left if timeout is None else min(timeout, left)

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        return self._inner.read(max_bytes, self._left(timeout))

    def write(self, buffer: bytes, timeout: float | None = None) -> None:
        self._inner.write(buffer, self._left(timeout))

    def close(self) -> None:
        self._inner.close()

    def start_tls(
        self, ssl_context: ssl.SSLContext, server_hostname: str | None = None, timeout: float | None = None
    ) -> httpcore.NetworkStream:
        return _Hurried(self._inner.start_tls(ssl_context, server_hostname, self._left(timeout)), self._deadline)

    def get_extra_info(self, info: str) -> Any:
        return self._inner.get_extra_info(info)


class _CheckedBackend(httpcore.NetworkBackend):
    """Connects to the addresses of a name that may be connected to, and to no other."""

    def __init__(self, private: bool, deadline: float) -> None:
        self._private = private
        self._deadline = deadline
        self._sockets = httpcore.SyncBackend()

    def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.NetworkStream:
        found = {str(each[4][0]) for each in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)}
        allowed = sorted(address for address in found if self._private or is_public(address))
        if not allowed:
            raise _NotPublic(host)
        failure: Exception | None = None
        for address in allowed:
            left = min(self._deadline - time.monotonic(), timeout or self._deadline)
            if left <= 0:
                break
            try:
                stream = self._sockets.connect_tcp(address, port, left, local_address, socket_options)
                return _Hurried(stream, self._deadline)
            except (httpcore.ConnectError, httpcore.ConnectTimeout) as error:
                failure = error
        raise failure or httpcore.ConnectTimeout("took too long altogether")
