"""`lobedesk serve`: the stores, the schema, the web server and the job worker, from start to stop."""

from __future__ import annotations

import signal
import socket
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from contextlib import ExitStack

from service.domain.errors import Unavailable
from service.serving.logs import configure_logging, warn_of_misspelt_settings
from service.serving.reached import reached_stores
from service.serving.schema import require_current_schema
from service.serving.supervisor import Kept, Program, hold_signals, stoppable, watch
from service.settings import Settings, environment_for

_LONGEST_BOOT_S = 300.0
"""A million parts take their time to be read."""


class CannotListen(Unavailable):
    """The address cannot be listened on."""

    code = "cannot_listen"


def serve(settings: Settings, *, with_worker: bool, announce: Callable[[str], None]) -> int:
    """Serve until told to stop, and return the exit code; `announce` is given the URL once it answers.

    Embedded stores are brought to head first. Stores reached by URL must be there already: migrating those is a step
    of the deployment, so that of several servers none changes the schema under the others.
    """
    configure_logging(settings.log_level)
    warn_of_misspelt_settings()
    with stoppable():
        stack = ExitStack()
        try:
            return _serve(settings, with_worker, announce, stack)
        finally:
            stack.close()


def _serve(settings: Settings, with_worker: bool, announce: Callable[[str], None], stack: ExitStack) -> int:
    listener = stack.enter_context(_listen(settings.http_host, settings.http_port))
    reached = stack.enter_context(reached_stores(settings, valkey=True, share=False, lasting=True))
    require_current_schema(reached.settings)
    environment = environment_for(reached.settings)
    others: dict[str, Kept] = dict(reached.servers)
    if with_worker:
        # its stores may end with the same owner, and in good order it would wait for them; a job cut short is put back
        command = [sys.executable, "-m", "service.cli", "worker"]
        worker = Program(command, environment, on_owner_death=signal.SIGKILL)
        others["worker"] = worker
        stack.callback(worker.stop)
        worker.start()
    numbers = stack.enter_context(tempfile.TemporaryDirectory(prefix="lobedesk-metrics-"))
    descriptor = listener.fileno()
    web = Program(
        [sys.executable, "-m", "service.serving.web_server", str(descriptor), numbers],
        environment | {"PROMETHEUS_MULTIPROC_DIR": numbers},
        pass_fds=(descriptor,),
    )
    stack.callback(web.stop)
    web.start()
    url = _url_of(listener)
    _wait_until_it_answers(url, web)
    hold_signals()
    announce(url)
    return watch(web, others)


def _listen(host: str, port: int) -> socket.socket:
    """A socket bound here, so that its port is known, and taken, before anything is started."""
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        listener = socket.socket(family, kind, protocol)
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind(address)
            listener.listen(2048)
        except BaseException:
            listener.close()
            raise
    except OSError as error:
        raise CannotListen(f"Cannot listen on {host}, port {port}: {error.strerror or error}.") from None
    return listener


def _url_of(listener: socket.socket) -> str:
    """The URL at which a client on this machine reaches the socket."""
    host, port = listener.getsockname()[:2]
    here = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104  read, not bound
    return f"http://[{here}]:{port}" if ":" in here else f"http://{here}:{port}"


def _wait_until_it_answers(url: str, web: Program) -> None:
    deadline = time.monotonic() + _LONGEST_BOOT_S
    while True:
        try:
            with urllib.request.urlopen(f"{url}/healthz", timeout=2):  # noqa: S310  our own address
                return
        except (urllib.error.URLError, OSError):
            if web.has_ended() or time.monotonic() > deadline:
                raise Unavailable("The web server did not start; its messages stand above.") from None
            time.sleep(0.05)
