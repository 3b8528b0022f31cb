"""What no client library would send, over a raw socket, to the real server: a clear refusal, and never a 500."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import orjson
import pytest

from service.domain.access import Role
from service.settings import Settings, environment_for

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Server:
    """A gunicorn of this run, and a key for it."""

    port: int
    key: str

    def send(self, request: bytes) -> tuple[int, dict[str, str], bytes]:
        """Send raw bytes; the status, headers and body that come back. Status 0 for a closed connection."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=20) as connection:
            try:
                connection.sendall(request)
                connection.shutdown(socket.SHUT_WR)
            except OSError:
                pass  # refused before all of it was sent; what was said is still to be read
            received = b""
            try:
                while chunk := connection.recv(65536):
                    received += chunk
            except ConnectionResetError:
                pass
        head, _, body = received.partition(b"\r\n\r\n")
        lines = head.decode("latin-1").split("\r\n")
        status = int(lines[0].split()[1]) if lines[0] else 0
        return status, {n.lower(): v for n, _, v in (line.partition(": ") for line in lines[1:])}, body

    def request(
        self,
        method: str = "POST",
        path: str = "/v1/submissions",
        body: bytes = b"",
        content_type: str | None = "application/json",
        extra: bytes = b"",
    ) -> bytes:
        """A request with a key, as bytes."""
        kind = b"" if content_type is None else b"Content-Type: " + content_type.encode("latin-1") + b"\r\n"
        return (
            f"{method} {path} HTTP/1.1\r\nHost: desk.example\r\nConnection: close\r\n".encode("latin-1")
            + f"Authorization: Bearer {self.key}\r\nContent-Length: {len(body)}\r\n".encode()
            + kind
            + extra
            + b"\r\n"
            + body
        )


@pytest.fixture(scope="module")
def server(api_settings: Settings, keys: dict[Role, str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("metrics")
    with socket.create_server(("127.0.0.1", 0)) as listener:
        process = subprocess.Popen(
            [sys.executable, "-m", "service.serving.web_server", str(listener.fileno()), str(folder)],
            cwd=ROOT,
            env=environment_for(api_settings) | {"PROMETHEUS_MULTIPROC_DIR": str(folder)},
            pass_fds=(listener.fileno(),),
            stderr=subprocess.DEVNULL,
        )
        server = Server(listener.getsockname()[1], keys[Role.DESK])
        while server.send(server.request("GET", "/healthz"))[0] != 200:
            assert process.poll() is None
            time.sleep(0.05)
        yield server
        process.terminate()
        process.wait(30)


LIFT = b'{"feature":"lobe_lift","lobe":"intake","values":["0.3"]}'
JOURNAL = b'{"feature":"journal_diameter","position":"front","values":["0.7500"]}'


def submission(reading: bytes = LIFT, more: bytes = b"") -> bytes:
    return b'{"source":"web","unit":"in","readings":[' + reading + b"]" + more + b"}"


def lift(value: bytes) -> bytes:
    return submission(b'{"feature":"lobe_lift","lobe":"intake","values":[' + value + b"]}")


BODIES: dict[str, tuple[bytes, int]] = {
    "nothing": (b"", 400),
    "not JSON": (b"source=web", 400),
    "half of it": (submission()[:40], 400),
    "two documents": (submission() + submission(), 400),
    "a trailing comma": (b'{"source":"web",}', 400),
    "a comment": (b'{"source":"web"/* */}', 400),
    "single quotes": (b"{'source':'web'}", 400),
    "UTF-16": (submission().decode().encode("utf-16"), 400),
    "a byte order mark": (b"\xef\xbb\xbf" + submission(), 400),
    "Latin-1": (submission(more=b',"note":"gr\xf6\xdfe"'), 400),
    "over-long UTF-8": (submission(more=b',"note":"\xc0\x80"'), 400),
    "a surrogate in UTF-8": (submission(more=b',"note":"\xed\xa0\x80"'), 400),
    "a lone surrogate": (submission(more=rb',"note":"\ud800"'), 400),
    "a lone low surrogate": (submission(more=rb',"note":"\udc00"'), 400),
    "a lone surrogate for a name": (submission(more=rb',"\ud800":1'), 400),
    "NUL as text": (submission(more=rb',"note":"\u0000"'), 422),
    "NUL as a byte": (submission(more=b',"note":"\x00"'), 400),
    "NUL in a name": (submission(more=rb',"\u0000":1'), 422),
    "NUL in a choice": (b'{"source":"w\\u0000eb","unit":"in","readings":[]}', 422),
    "200,000 nested arrays": (b"[" * 200_000, 400),
    "200,000 nested and closed": (b"[" * 100_000 + b"]" * 100_000, 400),
    "30,000 nested objects": (b'{"a":' * 30_000 + b"1" + b"}" * 30_000, 400),
    "nested as deep as is read": (submission(more=b',"note":' + b"[" * 900 + b"]" * 900), 422),
    "NaN": (lift(b"NaN"), 400),
    "Infinity": (lift(b"Infinity"), 400),
    "-Infinity": (lift(b"-Infinity"), 400),
    "1e400": (lift(b"1e400"), 400),
    "1e308": (lift(b"1e308"), 422),
    "1e-400": (lift(b"1e-400"), 422),
    "minus nought": (lift(b"-0.0"), 422),
    "an integer of 5,000 digits": (lift(b"1" * 5000), 400),
    "an integer of 300 digits": (lift(b"1" * 300), 422),
    "2 to the 63rd": (submission(more=b',"counts":{"gear_teeth":9223372036854775808}'), 422),
    "2 to the 64th": (submission(more=b',"counts":{"gear_teeth":18446744073709551616}'), 422),
    "teeth of 400 digits": (submission(more=b',"counts":{"gear_teeth":' + b"9" * 400 + b"}"), 400),
    "a number with a leading nought": (lift(b"007"), 400),
    "hexadecimal": (lift(b"0x1"), 400),
    "text of 200,000 letters": (submission(more=b',"note":"' + b"x" * 200_000 + b'"'), 422),
    "15,000 unknown members": (b"{" + b",".join(b'"%d":1' % n for n in range(15_000)) + b"}", 422),
    "20,000 values": (lift(b",".join([b"1"] * 20_000)), 422),
    "10,000 readings": (submission(b",".join([b"{}"] * 10_000)), 422),
    "a member that names the inside": (submission(more=b',"__class__":{"x":1}'), 422),
    "a body over the limit": (submission(more=b',"note":"' + b"x" * 300_000 + b'"'), 413),
}


def fit(server: Server, response: tuple[int, dict[str, str], bytes], status: int) -> dict[str, Any]:
    """The problem in a response, which has to have `status`."""
    got, headers, body = response
    assert got == status, body[:300]
    assert headers["content-type"] == "application/problem+json"
    problem: dict[str, Any] = orjson.loads(body)
    assert problem["status"] == status
    assert problem["detail"]
    return problem


@pytest.mark.parametrize(("body", "status"), BODIES.values(), ids=BODIES)
def test_a_hostile_body_is_refused_clearly(server: Server, body: bytes, status: int) -> None:
    problem = fit(server, server.send(server.request(body=body)), status)

    if status == 422:
        assert problem["errors"]


@pytest.mark.parametrize(
    "content_type",
    [
        None,
        "",
        "text/plain",
        "application/x-www-form-urlencoded",
        "multipart/form-data; boundary=x",
        "json",
        "\xff/\xfe",
    ],
)
def test_what_is_not_said_to_be_json_is_not_read(server: Server, content_type: str | None) -> None:
    fit(server, server.send(server.request(body=submission(), content_type=content_type)), 415)


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("TRACE", "/v1/submissions", 405),
        ("PROPFIND", "/v1/submissions", 405),
        ("DELETE", "/v1/submissions", 405),
        ("GET", "/v1/submissions/%ff", 404),
        ("GET", "/v1/submissions/%00", 404),
        ("GET", "/v1/submissions/..%2f..%2fetc%2fpasswd", 404),
        ("GET", "/v1/catalogue/parts/%00", 404),
        ("GET", "/v1/catalogue/parts/%ff", 404),
        ("GET", "/v1/catalogue/parts/" + "x" * 3000, 404),
        ("GET", "/v1/reviews?state=%00", 422),
        ("GET", "/v1/reviews?cursor=%ff%fe", 422),
        ("GET", "/v1/reviews?limit=1&limit=%00", 200),
        ("GET", "/v1/catalogue/parts?q=%00", 422),
    ],
)
def test_a_hostile_target_is_refused_clearly(server: Server, method: str, path: str, status: int) -> None:
    response = server.send(server.request(method, path))

    if status == 200:
        assert response[0] == 200
    else:
        fit(server, response, status)


@pytest.mark.parametrize(
    "extra",
    [
        b"Idempotency-Key: \xff\xfe\r\n",
        b"If-None-Match: \xff\r\n",
        b"X-Request-Id: \xff\r\n",
        b'If-Match: "unclosed\r\n',
        b"Accept: \xff\r\n",
        b"Cookie: \xff=\xfe\r\n",
    ],
)
def test_a_hostile_header_is_no_failure_of_ours(server: Server, extra: bytes) -> None:
    status, _, _ = server.send(server.request(body=submission(JOURNAL), extra=extra))

    assert status in (201, 400, 422)


def test_a_chunked_body_over_the_limit_is_refused(server: Server) -> None:
    chunk = b"10000\r\n" + b" " * 65536 + b"\r\n"
    head = server.request().replace(b"Content-Length: 0\r\n", b"Transfer-Encoding: chunked\r\n")

    status, _, _ = server.send(head + chunk * 6 + b"0\r\n\r\n")

    assert status == 413


def test_a_chunked_body_is_read_like_any_other(server: Server) -> None:
    head = server.request().replace(b"Content-Length: 0\r\n", b"Transfer-Encoding: chunked\r\n")

    fit(server, server.send(head + b"2\r\n{}\r\n0\r\n\r\n"), 422)


@pytest.mark.parametrize(
    "request_bytes",
    [
        b"GET /" + b"x" * 5000 + b" HTTP/1.1\r\nHost: a\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nX: " + b"x" * 9000 + b"\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\nContent-Length: 5\r\nContent-Length: 6\r\n\r\n",
        b"NONSENSE\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
        b"GET / HTTP/9.9\r\nHost: a\r\n\r\n",
        b"POST /v1/submissions HTTP/1.1\r\nHost: a\r\nContent-Length: -1\r\n\r\n",
        b"POST /v1/submissions HTTP/1.1\r\nHost: a\r\nContent-Length: many\r\n\r\n",
    ],
    ids=["long line", "long header", "two lengths", "nonsense", "TLS", "no such version", "negative", "in words"],
)
def test_what_is_no_request_is_turned_away_by_the_web_server(server: Server, request_bytes: bytes) -> None:
    """Its own page, not a problem: none of this reaches the application."""
    status, _, _ = server.send(request_bytes)

    assert status == 0 or 400 <= status < 500 or status == 505


def test_after_all_that_it_still_answers_and_has_counted_no_failure(server: Server) -> None:
    status, _, body = server.send(server.request("GET", "/metrics"))

    assert status == 200
    failures = re.findall(rb'lobedesk_request_seconds_count\{[^}]*status="5[0-9]+"[^}]*\}', body)
    assert failures == []
