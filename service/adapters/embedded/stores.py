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


class EmbeddedStores:
    """A context manager: the stores run inside it.

    `postgres` and `valkey` say which of the two are wanted. With `share` the stores of a running owner are used when
    there is one; without it the owner is waited for, since stores that end with somebody else are no base to serve on.
    """

    def __init__(
        self, data: Path, *, postgres: bool = True, valkey: bool = True, share: bool = True, patience: float = 60.0
    ) -> None:
        self._data = data.absolute()
        self._wanted = (postgres, valkey)
        self._share = share
        self._patience = patience
        self._stack = ExitStack()
        self.database_url: str | None = None
        self.redis_url: str | None = None

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
        _private(self._data)
        sockets = socket_folder(self._data)
        postgres = EmbeddedPostgres(self._data / "postgres", sockets)
        valkey = EmbeddedValkey(sockets, self._data / "valkey.log")
        lock = os.open(self._data / "owner.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        self._stack.callback(os.close, lock)
        owned = self._become_owner(lock, postgres, valkey)
        if self._wanted[0]:
            if owned:
                self._stack.callback(postgres.stop)
                postgres.start()
            self.database_url = postgres.url()
        if self._wanted[1]:
            if owned:
                self._stack.callback(valkey.stop)
                valkey.start()
            self.redis_url = valkey.url

    def _become_owner(self, lock: int, postgres: EmbeddedPostgres, valkey: EmbeddedValkey) -> bool:
        """True when the lock is ours, False when the stores of its holder may be used."""
        deadline = time.monotonic() + self._patience
        while True:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                holder = os.pread(lock, 32, 0).decode(errors="replace").strip()
            else:
                os.ftruncate(lock, 0)
                os.pwrite(lock, f"{os.getpid()}\n".encode(), 0)
                return True
            # A holder runs the stores it wants itself, which need not be the ones wanted here.
            ready = (not self._wanted[0] or postgres.answers()) and (not self._wanted[1] or valkey.answers())
            if self._share and ready:
                return False
            if time.monotonic() > deadline:
                raise EmbeddedError(
                    f"Process {holder} owns the embedded stores in {self._data}"
                    + ("; they do not answer." if self._share else "; stop it, or set LOBEDESK_DATA to another folder.")
                )
            time.sleep(0.05)


def running_stores(data: Path) -> tuple[str | None, str | None]:
    """The addresses of the embedded Postgres and Valkey of `data` where they run; starts nothing, makes nothing."""
    if not data.is_dir():
        return None, None
    sockets = socket_folder(data.absolute())
    postgres = EmbeddedPostgres(data.absolute() / "postgres", sockets)
    valkey = EmbeddedValkey(sockets, data / "valkey.log")
    return (postgres.url() if postgres.answers() else None, valkey.url if valkey.answers() else None)


def _private(folder: Path) -> None:
    """Make the data folder, open to its owner alone; one that is there is left as it is."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
