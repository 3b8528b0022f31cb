"""Callers who go on asking several web workers over HTTP while the catalogue changes, for a test and a benchmark."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import orjson
import psycopg

from service.catalogue_files.written import written_json
from service.domain.catalogue import Catalogue, Part
from tests.instances import ask

Json = dict[str, Any]

STEP_MM = 0.0127
"""Half a thousandth of an inch: what a caliper's display moves by."""


def changed(whole: Catalogue, step: int) -> Catalogue:
    """The same catalogue with every third lift moved: step by step another revision."""

    def moved(part: Part) -> Part:
        lobes = {
            kind: replace(lobe, lift_mm=round(lobe.lift_mm + step * STEP_MM, 6), lift_table=None, durations=())
            for kind, lobe in part.lobes.items()
        }
        return replace(part, lobes=MappingProxyType(lobes))

    return replace(whole, parts=tuple(moved(part) if i % 3 == 0 else part for i, part in enumerate(whole.parts)))


@dataclass(frozen=True)
class Asked:
    """One request: which body, from when to when, and what came back."""

    body: int
    began: float
    ended: float
    status: int
    answer: Json


@dataclass
class Callers:
    """So many callers, each asking the next of `urls` for the next of `bodies` until told to stop."""

    urls: Sequence[str]
    key: str
    bodies: Sequence[bytes]
    asked: list[Asked] = field(default_factory=list)
    failures: list[BaseException] = field(default_factory=list)

    @contextmanager
    def asking(self, callers: int) -> Iterator[None]:
        """They ask meanwhile."""
        turns, stop = itertools.count(), threading.Event()

        def go_on() -> None:
            try:
                while not stop.is_set():
                    turn = next(turns)
                    body, url = turn % len(self.bodies), self.urls[turn % len(self.urls)]
                    began = time.monotonic()
                    status, answer = ask(f"{url}/v1/submissions", self.key, orjson.loads(self.bodies[body]))
                    self.asked.append(Asked(body, began, time.monotonic(), status, answer))
            except BaseException as error:
                self.failures.append(error)

        threads = [threading.Thread(target=go_on) for _ in range(callers)]
        for thread in threads:
            thread.start()
        try:
            yield
        finally:
            stop.set()
            for thread in threads:
                thread.join()

    def wait_for(self, more: int) -> None:
        """Until so many more answers have come."""
        goal, deadline = len(self.asked) + more, time.monotonic() + 300
        while len(self.asked) < goal and not self.failures:
            if time.monotonic() > deadline:
                raise TimeoutError(f"{goal - len(self.asked)} answers are still to come")
            time.sleep(0.02)


def activate(conninfo: str, url: str, key: str, whole: Catalogue) -> tuple[int, float]:
    """Make a catalogue the active revision over HTTP: its number, and the moment from which everybody could see it."""
    seen: list[float] = []
    before = _active(conninfo)

    def watch() -> None:
        with psycopg.connect(conninfo, autocommit=True) as connection:
            while _active_of(connection) == before:
                time.sleep(0.005)
        seen.append(time.monotonic())

    watcher = threading.Thread(target=watch)
    watcher.start()
    path, document = f"{url}/v1/catalogue/revisions?reason=another", orjson.loads(written_json(whole))
    status, report = ask(path, key, document, timeout_s=300)
    if status != 201:
        raise RuntimeError(f"the catalogue was not taken: {status} {report}")
    watcher.join()
    return int(report["revision"]), seen[0]


def _active(conninfo: str) -> int:
    with psycopg.connect(conninfo, autocommit=True) as connection:
        return _active_of(connection)


def _active_of(connection: psycopg.Connection[Any]) -> int:
    row = connection.execute("SELECT number FROM catalogue_revision WHERE state = 'active'").fetchone()
    return 0 if row is None else int(row[0])
