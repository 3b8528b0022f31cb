"""The `lobedesk` command run as people run it, and several instances over one Postgres and one Redis."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import urllib.error
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.embedded.valkey import EmbeddedValkey

CHECKOUT = Path(__file__).parent.parent
CATALOGUE = CHECKOUT / "fixtures" / "catalogue.json"
LOBEDESK = [sys.executable, "-m", "service.cli"]


def environment(**settings: str) -> dict[str, str]:
    """Of a command: ours without its own settings, and `settings`."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("LOBEDESK_")}
    return kept | {"LOBEDESK_LOG_LEVEL": "warning", "LOBEDESK_WORKERS": "1"} | settings


def lobedesk(*arguments: str, checkout: Path = CHECKOUT, **settings: str) -> subprocess.CompletedProcess[str]:
    """Run a command of a checkout's to its end."""
    return subprocess.run(
        [*LOBEDESK, *arguments],
        env=environment(**settings),
        cwd=checkout,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )


def started(
    command: Sequence[str], log_file: Path, checkout: Path = CHECKOUT, **settings: str
) -> tuple[subprocess.Popen[str], str]:
    """Start a server in a session of its own: its process, and the address it says that it serves."""
    with log_file.open("wb") as log:
        process = subprocess.Popen(
            command,
            env=environment(**settings),
            cwd=checkout,
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
            start_new_session=True,
        )
    assert process.stdout is not None
    line = process.stdout.readline()
    assert line.startswith("lobedesk serves http://"), log_file.read_text()
    return process, line.split()[-1]


class Instance:
    """A server in a session of its own, on a port of its own: `lobedesk serve`, or another `command` that says so."""

    def __init__(
        self,
        folder: Path,
        settings: dict[str, str],
        command: tuple[str, ...] = (*LOBEDESK, "serve", "--no-worker"),
        checkout: Path = CHECKOUT,
    ) -> None:
        folder.mkdir()
        whole = settings | {"LOBEDESK_DATA": str(folder / "data")}
        self.process, self.url = started(command, folder / "log", checkout, **whole)
        assert urlsplit(self.url).port

    def kill(self) -> None:
        """End it and all its processes as the loss of its machine would."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.communicate(timeout=60)

    def stop(self) -> None:
        """End it in good order."""
        self.process.terminate()
        self.process.communicate(timeout=60)

    def workers(self) -> list[int]:
        """Its web workers: the children of the child that listens."""
        (master,) = children(self.process.pid)
        return children(master)


def children(pid: int) -> list[int]:
    """The processes that a process has started."""
    return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def ask(url: str, key: str, body: Any = None, once: str | None = None, timeout_s: float = 20) -> tuple[int, Any]:
    """The status and the JSON of a GET, or of a POST where there is a body; a 503 must say when to come back.

    None for a reply without a body.
    """
    headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/json"}
    if once is not None:
        headers["Idempotency-Key"] = once
    data = None if body is None else json.dumps(body).encode()
    try:
        with urllib.request.urlopen(urllib.request.Request(url, data, headers), timeout=timeout_s) as response:
            return response.status, json.loads(response.read() or b"null")
    except urllib.error.HTTPError as error:
        refused = error
    with refused:
        assert refused.code != 503 or refused.headers["Retry-After"]
        return refused.code, json.load(refused)


@dataclass(frozen=True)
class Stores:
    """Running stores, and the settings under which the command finds them."""

    postgres: EmbeddedPostgres
    valkey: EmbeddedValkey
    settings: dict[str, str]

    def make_key(self, role: str, checkout: Path = CHECKOUT) -> str:
        """A new key, made by a checkout's code."""
        made = lobedesk("keys", "create", "--role", role, "--name", "the owner", checkout=checkout, **self.settings)
        return made.stdout.splitlines()[-1]


@contextmanager
def own_stores(catalogue: Path = CATALOGUE, checkout: Path = CHECKOUT) -> Iterator[Stores]:
    """Stores that keep what they acknowledge, thrown away at the end, with a catalogue active: as a checkout's code
    makes them."""
    folder = Path(tempfile.mkdtemp(prefix="lobedesk-several-"))
    (folder / "run").mkdir(mode=0o700)
    postgres = EmbeddedPostgres(folder / "postgres", folder / "run")
    valkey = EmbeddedValkey(folder / "run", folder / "valkey.log")
    try:
        postgres.start()
        valkey.start()
        settings = {
            "LOBEDESK_DATABASE_URL": postgres.url(),
            "LOBEDESK_REDIS_URL": valkey.url,
            "LOBEDESK_RATE_STAFF": "1000000/minute",
        }
        for arguments in (("migrate",), ("catalogue", "import", str(catalogue))):
            done = lobedesk(*arguments, checkout=checkout, **settings)
            assert done.returncode == 0, done.stderr
        yield Stores(postgres, valkey, settings)
    finally:
        valkey.stop()
        postgres.stop()
        shutil.rmtree(folder)
