"""Keeps processes running until told to stop: a web server without which there is no point, and helpers around it.

Everything here is one thread waiting for signals. It blocks them while it waits, so none is lost between two looks, and
looks before it first waits.
"""

from __future__ import annotations

import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Protocol

import structlog

from service.adapters.embedded import EmbeddedError
from service.adapters.embedded.processes import start, stop

RESTART_AFTER_S = 2.0
_STOP = {signal.SIGTERM, signal.SIGINT}
_WATCHED = _STOP | {signal.SIGHUP, signal.SIGCHLD}

log = structlog.get_logger()


class Kept(Protocol):
    """Something that runs and can be started again."""

    def start(self) -> None:
        """Start it."""
        ...

    def stop(self) -> None:
        """Stop it, in good order."""
        ...

    def has_ended(self) -> bool:
        """Whether it was started and has ended by itself."""
        ...


class Program:
    """A command of ours as a process that ends with this one."""

    def __init__(
        self,
        command: list[str],
        environment: dict[str, str],
        *,
        pass_fds: tuple[int, ...] = (),
        patience: float = 20.0,
        on_owner_death: signal.Signals = signal.SIGTERM,
    ) -> None:
        self._on_owner_death = on_owner_death
        self._command = command
        self._environment = environment
        self._pass_fds = pass_fds
        self._patience = patience
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it."""
        self._process = start(
            self._command,
            on_owner_death=self._on_owner_death,
            environment=self._environment,
            pass_fds=self._pass_fds,
        )

    def stop(self) -> None:
        """Ask it to finish what it is at, and to end."""
        if self._process is not None:
            stop(self._process, signal.SIGTERM, self._patience)
            self._process = None

    def has_ended(self) -> bool:
        """Whether it has ended by itself."""
        return self._process is not None and self._process.poll() is not None

    def reload(self) -> None:
        """Pass a SIGHUP on: gunicorn replaces its workers by fresh ones."""
        if self._process is not None:
            self._process.send_signal(signal.SIGHUP)


@dataclass
class _Ended:
    name: str
    kept: Kept
    again_at: float


class Stopped(SystemExit):
    """A signal to stop came while something was being started."""


@contextmanager
def stoppable() -> Iterator[None]:
    """Inside, SIGTERM ends the program as Ctrl-C does: by an exception, so that what was started is stopped."""

    def raise_stopped(number: int, _frame: object) -> None:
        raise Stopped(128 + number)

    before = {number: signal.signal(number, raise_stopped) for number in _STOP}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def hold_signals() -> None:
    """Let what comes from now on wait for `watch`: who has been told that we serve may tell us to stop."""
    signal.pthread_sigmask(signal.SIG_BLOCK, _WATCHED)


def watch(web: Program, others: dict[str, Kept]) -> int:
    """Wait for a signal to stop; meanwhile start again whatever of `others` ends. Returns the exit code.

    When `web` ends by itself so does everything, with code 1: what runs us is to decide whether to try again.
    SIGHUP is passed on to `web`. The signals stay blocked afterwards: what follows is the stopping, and a second Ctrl-C
    is not to interrupt that.
    """
    hold_signals()
    waiting: list[_Ended] = []
    while True:
        # Looked at before the first wait too: what ended before its signal was held back has left none behind.
        if web.has_ended():
            log.error("the web server has ended; stopping the rest")
            return 1
        known = {ended.name for ended in waiting}
        for name, kept in others.items():
            if name not in known and kept.has_ended():
                log.error("ended unexpectedly; will be started again", process=name, seconds=RESTART_AFTER_S)
                waiting.append(_Ended(name, kept, time.monotonic() + RESTART_AFTER_S))
        waiting = [ended for ended in waiting if not _started_again(ended)]
        number = _next_signal(waiting)
        if number in _STOP:
            log.info("told to stop; finishing what is under way", signal=signal.Signals(number).name)
            return 0
        if number == signal.SIGHUP:
            web.reload()


def _next_signal(waiting: list[_Ended]) -> int | None:
    """The next signal, or None when it is time to start something again."""
    if not waiting:
        return signal.sigwait(_WATCHED)
    pause = max(0.0, min(ended.again_at for ended in waiting) - time.monotonic())
    arrived = signal.sigtimedwait(_WATCHED, pause)
    return None if arrived is None else arrived.si_signo


def _started_again(ended: _Ended) -> bool:
    if time.monotonic() < ended.again_at:
        return False
    # A start may take long, and may be stopped.
    signal.pthread_sigmask(signal.SIG_UNBLOCK, _STOP)
    try:
        ended.kept.start()
    except EmbeddedError as error:
        log.error("could not be started again", process=ended.name, reason=error.message)
        ended.again_at = time.monotonic() + RESTART_AFTER_S
        return False
    finally:
        signal.pthread_sigmask(signal.SIG_BLOCK, _STOP)
    log.warning("started again", process=ended.name)
    return True
