"""The other side: a real SMTP server and a real HTTP receiver, as well or as badly behaved as a test wants them."""

from __future__ import annotations

import asyncio
import email
import email.policy
import http.server
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import EmailMessage
from typing import Any

from aiosmtpd.controller import Controller


@dataclass
class MailBox:
    """What an SMTP server has taken. `answer` is what it says after a mail's data; `refuse` after its recipient.

    `drop` breaks the connection off once the mail has been taken, before saying so.
    """

    answer: str = "250 taken"
    refuse: str = ""
    drop: bool = False
    taken: list[EmailMessage] = field(default_factory=list)
    recipients: list[str] = field(default_factory=list)
    url: str = ""

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:  # noqa: N802
        if self.refuse:
            return self.refuse
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        if self.answer.startswith("2"):
            message = email.message_from_bytes(envelope.content, policy=email.policy.default)
            assert isinstance(message, EmailMessage)
            self.taken.append(message)
            self.recipients += envelope.rcpt_tos
        if self.drop:
            server.transport.abort()
            await asyncio.sleep(0)
        return self.answer

    def ids(self) -> list[str]:
        """The Message-IDs of what was taken."""
        return [str(message["Message-ID"]) for message in self.taken]


@contextmanager
def mail_server(box: MailBox, tls: ssl.SSLContext | None = None, *, from_the_start: bool = False) -> Iterator[MailBox]:
    """Inside, `box` is an SMTP server at `box.url`; with `tls` it takes no mail before TLS has begun."""
    if tls is None:
        controller, scheme = Controller(box, hostname="127.0.0.1", port=_free_port()), "smtp"
    elif from_the_start:
        controller, scheme = Controller(box, hostname="127.0.0.1", port=_free_port(), ssl_context=tls), "smtps"
    else:
        controller = Controller(box, hostname="127.0.0.1", port=_free_port(), tls_context=tls, require_starttls=True)
        scheme = "smtp+starttls"
    controller.start()
    box.url = f"{scheme}://localhost:{controller.port}" if tls else f"{scheme}://127.0.0.1:{controller.port}"
    try:
        yield box
    finally:
        controller.stop()


@dataclass(frozen=True)
class Request:
    """One request a receiver got."""

    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class HookReceiver:
    """What an HTTP receiver got. `status` is what it answers, after `headers`; `dawdle` seconds between two bytes."""

    status: int = 200
    headers: dict[str, str] = field(default_factory=dict)
    dawdle: float = 0.0
    got: list[Request] = field(default_factory=list)
    url: str = ""

    def ids(self) -> list[str]:
        """The webhook-ids of what it got."""
        return [request.headers["webhook-id"] for request in self.got]


@contextmanager
def hook_receiver(receiver: HookReceiver, tls: ssl.SSLContext | None = None) -> Iterator[HookReceiver]:
    """Inside, `receiver` is an HTTP server at `receiver.url`; with `tls` an HTTPS one."""

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            if len(body) < int(self.headers["Content-Length"]):
                self.close_connection = True
                return  # the other side died in mid-sentence: nothing has been received
            named = {name.lower(): value for name, value in self.headers.items()}
            receiver.got.append(Request(self.path, named, body))
            if receiver.dawdle:
                self._dawdle()
                return
            self.send_response(receiver.status)
            for name, value in receiver.headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def _dawdle(self) -> None:
            try:
                for byte in b"HTTP/1.1 200 OK\r\nX-Slow: yes\r\nContent-Length: 0\r\n\r\n":
                    self.wfile.write(bytes([byte]))
                    time.sleep(receiver.dawdle)
            except OSError:  # the other side has had enough
                self.close_connection = True

        def log_message(self, *_: Any) -> None:
            """Say nothing."""

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    address = f"127.0.0.1:{server.server_port}" if tls is None else f"localhost:{server.server_port}"
    receiver.url = f"{'http' if tls is None else 'https'}://{address}/hook"
    try:
        yield receiver
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@contextmanager
def silent_server() -> Iterator[int]:
    """Inside, a port that takes connections and never says a word."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield listener.getsockname()[1]


def closed_port() -> int:
    """A port that nobody listens on."""
    return _free_port()


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port: int = listener.getsockname()[1]
    return port


def wait_until(condition: Callable[[], bool], what: str, seconds: float = 60.0) -> None:
    """Wait for something that will come about; fail where it does not."""
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, f"waited in vain for {what}"
        time.sleep(0.02)
