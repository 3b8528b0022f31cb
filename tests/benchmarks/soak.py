"""Instances under load for a while, with a fault every minute; then every promise is looked at.

    .venv/bin/python -m tests.benchmarks.soak --minutes 20

First the capacity is measured: as many submissions a second as callers who wait for their answers get. Then
submissions arrive at random at two thirds of that, each with an Idempotency-Key and sent until it is acknowledged, now
to one instance, now to another; a reviewer claims and decides. Meanwhile something fails every minute (`faults.py`).
At the end it says whether everything acknowledged is there once and answered; whether an answer differs from what one
process by itself says of the same readings; whether anything but 503 with Retry-After was answered where something
failed; and how memory grew.
"""

from __future__ import annotations

import itertools
import sys
import tempfile
import threading
import time
import uuid
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import click
import numpy as np
import orjson
import psycopg

from service.domain.access import Role
from service.domain.catalogue import Catalogue
from service.identification.catalogue_table.table import build_table
from service.identification.engine import identify
from service.web.api.submissions.answer import said_of
from service.web.api.submissions.schemas import SubmissionSchema
from tests.benchmarks.bodies import bodies, written_to
from tests.benchmarks.catalogues import grown_catalogue
from tests.benchmarks.faults import Fleet
from tests.benchmarks.load import Connection, post
from tests.benchmarks.processes import resident_mb
from tests.instances import ask, own_stores

PATH = "/v1/submissions"
CALLERS = 32
PATIENCE_S = 180.0
SAMPLED_EVERY_S = 5.0


@dataclass
class Record:
    """What the callers saw."""

    acknowledged: dict[str, tuple[int, str, Any]] = field(default_factory=dict)
    """By Idempotency-Key: which body, the submission's id, and what was said of it."""
    decided: set[str] = field(default_factory=set)
    waits_ms: list[float] = field(default_factory=list)
    refusals: Counter[str] = field(default_factory=Counter)
    broken: list[str] = field(default_factory=list)
    """Promises that were not kept."""


def gist(answer: dict[str, Any]) -> Any:
    """What is compared of an answer: what it says, and under what."""
    candidates = [(each["part_number"], each["probability"]) for each in answer["candidates"]]
    return answer["state"], candidates, answer["not_in_catalogue_probability"], answer["catalogue_revision"]


class Caller:
    """One of many who send submissions, each on a connection of its own to each instance."""

    def __init__(self, fleet: Fleet, key: str, said: list[bytes], record: Record) -> None:
        self._fleet, self._key, self._said, self._record = fleet, key, said, record
        self._connections: dict[str, Connection] = {}

    def deliver(self, number: int, due: float) -> None:
        """Send one submission until it is acknowledged, or patience ends."""
        once, place = str(uuid.uuid4()), number % len(self._said)
        for attempt in itertools.count(number):
            if time.monotonic() - due > PATIENCE_S:
                self._record.broken.append(f"submission {number} was not taken within {PATIENCE_S:.0f} s")
                return
            url = self._fleet.alive[attempt % len(self._fleet.alive)].url
            try:
                head, body = self._exchange(url, post(url, PATH, self._key, self._said[place], once))
            except (OSError, ConnectionError):
                self._record.refusals["no answer"] += 1
                time.sleep(0.05)
                continue
            status = int(head[9:12])
            if status == 201:
                answer = orjson.loads(body)
                self._record.acknowledged[once] = place, answer["id"], gist(answer)
                self._record.waits_ms.append(1000 * (time.monotonic() - due))
                return
            self._refused(status, head, body)
            time.sleep(0.2)

    def _refused(self, status: int, head: bytes, body: bytes) -> None:
        self._record.refusals[str(status)] += 1
        as_promised = (status == 503 and b"retry-after:" in head) or status == 409  # 409: it is being answered already
        if not as_promised:
            self._record.broken.append(f"{status}: {body[:200]!r}")

    def _exchange(self, url: str, request: bytes) -> tuple[bytes, bytes]:
        connection = self._connections.pop(url, None) or Connection(url)
        try:
            reply = connection.exchange(request)
        except BaseException:
            connection.close()
            raise
        self._connections[url] = connection
        return reply


def send(fleet: Fleet, key: str, said: list[bytes], record: Record, due: Iterator[float]) -> None:
    """Deliver a submission at each of the times that `due` gives, by many callers at once."""
    lock, numbers = threading.Lock(), itertools.count()

    def call() -> None:
        caller = Caller(fleet, key, said, record)
        while True:
            with lock:
                at, number = next(due, None), next(numbers)
            if at is None:
                return
            time.sleep(max(0.0, at - time.monotonic()))
            caller.deliver(number, max(at, 0.0) or time.monotonic())

    with ThreadPoolExecutor(CALLERS) as callers:
        for each in [callers.submit(call) for _ in range(CALLERS)]:
            each.result()


def capacity(fleet: Fleet, key: str, said: list[bytes], record: Record, seconds: float) -> float:
    """Submissions a second that are answered to callers who send the next as soon as they have an answer."""
    until = time.monotonic() + seconds

    def at_once() -> Iterator[float]:
        while time.monotonic() < until:
            yield time.monotonic()

    before = len(record.acknowledged)
    send(fleet, key, said, record, at_once())
    return (len(record.acknowledged) - before) / seconds


def arrivals(rate: float, seconds: float) -> Iterator[float]:
    """Times at which independent callers come, so many a second on average."""
    rng = np.random.default_rng(1)
    at = began = time.monotonic()
    while at < began + seconds:
        at += float(rng.exponential(1 / rate))
        yield at


def review(fleet: Fleet, key: str, record: Record, stopped: threading.Event) -> None:
    """Claim and decide, one review after another."""
    verdict = {"outcome": "cannot_tell", "confidence": "sure", "reason": "The soak decides nothing."}
    while not stopped.wait(0.1):
        url = fleet.alive[-1].url
        try:
            status, claimed = ask(f"{url}/v1/reviews/claim", key, {})
            if status == 200:
                status, _ = ask(f"{url}/v1/reviews/{claimed['id']}/decision", key, verdict)
                if status in (200, 201):
                    record.decided.add(claimed["id"])
                elif status >= 500 and status != 503:
                    record.broken.append(f"a decision was answered {status}")
        except AssertionError:
            record.broken.append("503 without Retry-After")
        except OSError:
            record.refusals["no answer"] += 1


def check_against_one_process(record: Record, catalogue: Catalogue, said: list[bytes]) -> int:
    """How many answers differ from what this process says of the same readings."""
    table, schema = build_table(catalogue), SubmissionSchema()
    expected: dict[int, Any] = {}
    wrong = 0
    for place, _, found in record.acknowledged.values():
        if place not in expected:
            submission = schema.load(orjson.loads(said[place]))
            expected[place] = gist(said_of(submission, identify(table, submission), 1, Role.DESK))
        wrong += found != expected[place]
    return wrong


def check_what_is_kept(record: Record, database_url: str) -> None:
    """Everything acknowledged is there once, with its answer; and nothing besides."""
    with psycopg.connect(database_url) as connection:
        kept = dict(
            connection.execute(
                "SELECT s.id::text, r.state || ' ' || r.catalogue_revision FROM submissions s"
                " JOIN submission_rounds r ON r.submission_id = s.id"
            ).fetchall()
        )
        decided = {str(row[0]) for row in connection.execute("SELECT review_id FROM decisions").fetchall()}
    acknowledged = {each[1]: f"{each[2][0]} {each[2][3]}" for each in record.acknowledged.values()}
    lost = sum(kept.get(each) != said for each, said in acknowledged.items())
    if lost:
        record.broken.append(f"{lost} acknowledged submissions are not there as they were acknowledged")
    if len(kept) != len(acknowledged) or len(acknowledged) != len(record.acknowledged):
        record.broken.append(f"{len(kept)} are kept, {len(record.acknowledged)} were acknowledged")
    if not record.decided <= decided:
        record.broken.append(f"{len(record.decided - decided)} acknowledged decisions are not there")


def tell_unexpected_errors(folder: Path) -> None:
    """Print what the instances logged as nobody's doing but ours: it is gone with the folder."""
    for log in sorted(folder.rglob("log")):
        for line in log.read_text(encoding="utf-8", errors="replace").splitlines():
            if '"level":"error"' in line or line.startswith("Traceback"):
                click.echo(f"{log.parent.name}: {line[-3000:]}")


def slope_mb_per_hour(samples: list[tuple[float, float]]) -> tuple[float, float]:
    """Least squares over (seconds, MB): the slope an hour, and its standard error."""
    times, sizes = np.array(samples).T
    times = (times - times.mean()) / 3600
    slope = float((times * (sizes - sizes.mean())).sum() / (times**2).sum())
    rest = sizes - sizes.mean() - slope * times
    return slope, float(np.sqrt((rest**2).sum() / max(len(rest) - 2, 1) / (times**2).sum()))


@click.command()
@click.option("--minutes", default=20.0, show_default=True)
@click.option("--rate", type=float, help="submissions a second; two thirds of the measured capacity if left out")
@click.option("--instances", default=2, show_default=True)
@click.option("--parts", default=250, show_default=True)
@click.option("--submissions", "different", default=3000, show_default=True, help="how many different ones are sent")
@click.option("--every", default=60.0, show_default=True, help="seconds from fault to fault")
def main(minutes: float, rate: float | None, instances: int, parts: int, different: int, every: float) -> None:
    """Run it, and end with 1 where a promise was broken."""
    catalogue = grown_catalogue(parts)
    said = bodies(catalogue, different, seed=1)
    record = Record()
    with tempfile.TemporaryDirectory(prefix="lobedesk-soak-") as name:
        folder = Path(name)
        with own_stores(written_to(catalogue, folder)) as stores:
            key = stores.make_key("desk")
            fleet = Fleet(folder, stores, stores.settings, instances)
            try:
                if rate is None:
                    most = capacity(fleet, key, said, record, min(20.0, 10 * minutes))
                    rate = most * 2 / 3
                    click.echo(f"capacity {most:.1f} submissions a second on {instances} instances of one web worker")
                click.echo(f"soaking at {rate:.1f} a second for {minutes:g} minutes")
                record.waits_ms.clear()
                samples = soak(fleet, key, said, record, rate=rate, seconds=60 * minutes, every=every)
            finally:
                fleet.stop()
                tell_unexpected_errors(folder)
            check_what_is_kept(record, stores.postgres.url())
    click.echo(f"{len(record.acknowledged)} submissions acknowledged, {len(record.decided)} decisions")
    click.echo("refused meanwhile: " + ", ".join(f"{count} × {what}" for what, count in record.refusals.items()))
    waits = np.array(record.waits_ms)
    click.echo(f"waits, faults and all: median {np.median(waits):.0f} ms, 99 in 100 {np.quantile(waits, 0.99):.0f} ms")
    wrong = check_against_one_process(record, catalogue, said)
    if wrong:
        record.broken.append(f"{wrong} answers differ from what one process says by itself")
    later = samples[len(samples) // 3 :]  # caches fill at first
    slope, error = slope_mb_per_hour(later)
    click.echo(
        f"memory of the instance that was left alone: {later[0][1]:.0f} MB, then {later[-1][1]:.0f} MB;"
        f" {slope:+.0f} MB an hour, standard error {error:.0f}"
    )
    for broken, count in Counter(record.broken).most_common(20):
        click.echo(f"BROKEN ({count} times): {broken}")
    click.echo("every promise was kept" if not record.broken else f"{len(record.broken)} promises were broken")
    sys.exit(1 if record.broken else 0)


def soak(
    fleet: Fleet, key: str, said: list[bytes], record: Record, *, rate: float, seconds: float, every: float
) -> list[tuple[float, float]]:
    """Load, faults and all; returns samples of the memory of the instance that no fault kills."""
    samples: list[tuple[float, float]] = []
    stopped = threading.Event()
    left_alone = fleet.alive[-1].workers()[0]

    def watch() -> None:
        while not stopped.wait(SAMPLED_EVERY_S):
            samples.append((time.monotonic(), resident_mb(left_alone)))

    with ThreadPoolExecutor(3) as beside:
        began = time.monotonic()
        helpers = [beside.submit(watch), beside.submit(review, fleet, key, record, stopped)]
        load = beside.submit(send, fleet, key, said, record, arrivals(rate, seconds))
        faults = itertools.cycle(fleet.faults().items())
        try:
            for turn in itertools.count(1):
                at = began + turn * every
                if at + every / 2 > began + seconds:
                    break
                time.sleep(max(0.0, at - time.monotonic()))
                what, do = next(faults)
                click.echo(f"{time.monotonic() - began:6.0f} s  {what}; {len(record.acknowledged)} acknowledged")
                do()
            load.result()
        finally:
            stopped.set()
        for each in helpers:
            each.result()
    return samples


if __name__ == "__main__":
    main()
