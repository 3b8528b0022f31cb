"""Both embedded stores of one data folder, and who owns them.

One process owns the stores: it holds a lock on the data folder, starts them and stops them. Another command that
comes while they run uses them and leaves them alone.
"""

from __future__ import annotations

import fcntl
import os
import time
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Self

from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.embedded.processes import EmbeddedError
from service.adapters.embedded.sockets import socket_folder
from service.adapters.embedded.valkey import EmbeddedValkey

_LASTING = "lasting"
_BRIEF = "brief"


class EmbeddedStores:
    """A context manager: the stores that are wanted run inside it, at `database_url` and `redis_url`.

    `lasting` is for a command that stays: others may then use its stores. `share` allows the use of another's; a
    brief owner is waited for either way, since its stores are about to end.
    """

    def __init__(
        self,
        data: Path,
        *,
        postgres: bool = True,
        valkey: bool = True,
        share: bool = True,
        lasting: bool = False,
        patience: float = 60.0,
    ) -> None:
        self._data = data.absolute()
        self._wants_postgres = postgres
        self._wants_valkey = valkey
        self._share = share
        self._lasting = lasting
        self._patience = patience
        self._stack = ExitStack()
        self.postgres: EmbeddedPostgres | None = None
        self.valkey: EmbeddedValkey | None = None

    @property
    def database_url(self) -> str | None:
        """Where the embedded Postgres is reached, if it was wanted."""
        return None if self.postgres is None else self.postgres.url()

    @property
    def redis_url(self) -> str | None:
        """Where the embedded Redis-compatible server is reached, if it was wanted."""
        return None if self.valkey is None else self.valkey.url

    def __enter__(self) -> Self:
        with self._stack:
            self._open()
            self._stack = self._stack.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.close()

    def _open(self) -> None:
        # The folder is made for its owner alone; one that is there keeps the mode it has.
        self._data.mkdir(mode=0o700, parents=True, exist_ok=True)
        postgres, valkey = _servers(self._data)
        if self._wants_postgres:
            self.postgres = postgres
        if self._wants_valkey:
            self.valkey = valkey
        lock = os.open(self._data / "owner.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        self._stack.callback(os.close, lock)
        if not self._become_owner(lock):
            return
        for server in (self.postgres, self.valkey):
            if server is not None:
                self._stack.callback(server.stop)
                server.start()

    def _become_owner(self, lock: int) -> bool:
        """True when the lock is ours, False when the stores of its holder may be used."""
        deadline = time.monotonic() + self._patience
        while not _try_lock(lock):
            holder, _, manner = os.pread(lock, 64, 0).decode(errors="replace").strip().partition(" ")
            if manner == _LASTING and not self._share:
                raise EmbeddedError(
                    f"Process {holder} runs the embedded stores in {self._data};"
                    " stop it, or set LOBEDESK_DATA to another folder."
                )
            if manner == _LASTING and all(server.answers() for server in (self.postgres, self.valkey) if server):
                return False
            if time.monotonic() > deadline:
                raise EmbeddedError(f"Process {holder} holds the embedded stores in {self._data} and does not let go.")
            time.sleep(0.05)
        os.ftruncate(lock, 0)
        os.pwrite(lock, f"{os.getpid()} {_LASTING if self._lasting else _BRIEF}\n".encode(), 0)
        return True


def running_stores(data: Path) -> tuple[str | None, str | None]:
    """The addresses of the embedded Postgres and Valkey of `data` where they run; starts nothing."""
    if not data.is_dir():
        return None, None
    postgres, valkey = _servers(data.absolute())
    return (postgres.url() if postgres.answers() else None, valkey.url if valkey.answers() else None)


def _servers(data: Path) -> tuple[EmbeddedPostgres, EmbeddedValkey]:
    sockets = socket_folder(data)
    return EmbeddedPostgres(data / "postgres", sockets), EmbeddedValkey(sockets, data / "valkey.log")


def _try_lock(lock: int) -> bool:
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
