"""What a request costs beside the least it could cost: the same stack that only writes the submission down.

Both servers run at the same time over one Postgres and one Redis, and are asked in turns, a slice each, so that what
else the machine does falls on both alike; each figure is the median over the slices.

    .venv/bin/python -m tests.benchmarks.request --parts 10000
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import click
import psycopg
import redis

from tests.benchmarks.bodies import bodies, written_to
from tests.benchmarks.catalogues import grown_catalogue
from tests.benchmarks.load import Load, as_fast_as_answered, at_a_rate, post
from tests.benchmarks.processes import cpu_seconds, family
from tests.instances import LOBEDESK, Instance, Stores, own_stores

PATH = "/v1/submissions"
FLOOR_MODULE = "tests.benchmarks.floor"


@dataclass(frozen=True)
class Slice:
    """One turn of one server: as fast as it goes, then at half of that, and the CPU it took."""

    full: Load
    half: Load
    web_ms: float
    postgres_ms: float
    """Milliseconds of CPU a request, in web workers and in Postgres."""


@dataclass
class Asked:
    """A server that is asked: what with, and what has to be done before each turn."""

    name: str
    instance: Instance
    requests: list[bytes]
    prepare: Callable[[], None]
    at: int = 0

    def take(self, count: int) -> list[bytes]:
        """The next so many requests, from the beginning again where they end."""
        taken = [self.requests[(self.at + n) % len(self.requests)] for n in range(count)]
        self.at += count
        return taken


def one_slice(asked: Asked, stores: Stores, count: int, connections: int) -> Slice:
    """Ask one server."""
    asked.prepare()
    web = family(asked.instance.process.pid)
    postmaster = stores.postgres.pid
    assert postmaster is not None
    web_before, postgres_before = cpu_seconds(web), cpu_seconds(family(postmaster))
    full = as_fast_as_answered(asked.instance.url, asked.take(count), connections)
    web_s = cpu_seconds(web) - web_before
    postgres_s = cpu_seconds(family(postmaster)) - postgres_before
    half = at_a_rate(asked.instance.url, asked.take(count), full.rate / 2, connections * 4)
    return Slice(full, half, 1000 * web_s / count, 1000 * postgres_s / count)


@click.command()
@click.option("--parts", default=10_000, show_default=True)
@click.option("--workers", default=1, show_default=True, help="web workers of either server")
@click.option("--requests", "count", default=400, show_default=True, help="of each kind in a slice")
@click.option("--slices", default=7, show_default=True)
@click.option("--connections", default=4, show_default=True)
def main(parts: int, workers: int, count: int, slices: int, connections: int) -> None:
    """Print the table."""
    catalogue = grown_catalogue(parts)
    said = bodies(catalogue, 2 * count, seed=1)
    with tempfile.TemporaryDirectory(prefix="lobedesk-bench-") as name:
        folder = Path(name)
        with own_stores(written_to(catalogue, folder)) as stores:
            settings = stores.settings | {"LOBEDESK_WORKERS": str(workers)}
            key = stores.make_key("desk")
            numbers = folder / "numbers"
            numbers.mkdir()
            service = Instance(folder / "service", settings)
            try:
                sample = as_fast_as_answered(service.url, [post(service.url, PATH, key, each) for each in said[:50]], 2)
                floor = Instance(
                    folder / "floor",
                    settings | {"PROMETHEUS_MULTIPROC_DIR": str(numbers)},
                    (LOBEDESK[0], "-m", FLOOR_MODULE, str(round(sample.reply_bytes) - 60)),
                )
                try:
                    show(measured(service, floor, stores, key, said, (count, slices, connections)))
                    click.echo(f"a submission takes {kept_bytes(stores):,.0f} bytes in Postgres, indexes and all")
                finally:
                    floor.stop()
            finally:
                service.stop()


def measured(
    service: Instance, floor: Instance, stores: Stores, key: str, said: list[bytes], size: tuple[int, int, int]
) -> dict[str, list[Slice]]:
    """The slices of each of the three."""
    count, slices, connections = size
    to_service = [post(service.url, PATH, key, body) for body in said]

    def forget() -> None:
        with redis.Redis.from_url(stores.valkey.url) as client:
            client.flushdb()

    def nothing() -> None:
        """What was asked just now is in the cache."""

    three = (
        Asked("floor", floor, [post(floor.url, PATH, key, body) for body in said], nothing),
        Asked("uncached", service, to_service, forget),
        Asked("cached", service, to_service, nothing),
    )
    found: dict[str, list[Slice]] = {asked.name: [] for asked in three}
    with click.progressbar(range(slices + 1), label="slices", file=sys.stderr) as turns:
        for turn in turns:
            for asked in three:
                done = one_slice(asked, stores, count, connections)
                if turn > 0:  # the first warms everything
                    found[asked.name].append(done)
    return found


def kept_bytes(stores: Stores) -> float:
    """Bytes of disk a submission, with its round and its review."""
    with psycopg.connect(stores.postgres.url(), autocommit=True) as connection:
        connection.execute("VACUUM")
        row = connection.execute(
            "SELECT sum(pg_total_relation_size(name::regclass))::float8 / (SELECT count(*) FROM submissions)"
            " FROM unnest(ARRAY['submissions', 'submission_rounds', 'reviews']) AS name"
        ).fetchone()
    assert row is not None
    return float(row[0])


FIGURES: dict[str, Callable[[Slice], float]] = {
    "requests/s": lambda each: each.full.rate,
    "median ms at half load": lambda each: each.half.quantile_ms(0.5),
    "99th percentile ms": lambda each: each.half.quantile_ms(0.99),
    "CPU ms, web": lambda each: each.web_ms,
    "CPU ms, Postgres": lambda each: each.postgres_ms,
    "reply bytes": lambda each: each.full.reply_bytes,
}


def show(found: dict[str, list[Slice]]) -> None:
    """Each figure's median, and its ratio to the floor's in the same turn."""
    click.echo(f"{'':<24}" + "".join(f"{name:>12}" for name in found) + "   uncached, cached to the floor")
    for name, figure in FIGURES.items():
        values = {of: [figure(each) for each in each_of] for of, each_of in found.items()}
        ratios = [
            statistics.median(a / b if b else float("nan") for a, b in zip(values[of], values["floor"], strict=True))
            for of in ("uncached", "cached")
        ]
        shown = "".join(f"{statistics.median(each):>12.2f}" for each in values.values())
        click.echo(f"{name:<24}{shown}   " + ", ".join(f"{ratio:.2f}" for ratio in ratios))


if __name__ == "__main__":
    main()
