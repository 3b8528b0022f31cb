"""How soon a server and its workers are ready, and what memory they share.

    .venv/bin/python -m tests.benchmarks.start --parts 10000

`--sheets FOLDER` takes a catalogue that `tests.benchmarks.catalogue_life --sheets` left there.

Ready is a worker that has answered a submission. A worker that is killed is started again by its server; what is timed
is from the kill to the next answer of the new one. Memory is the proportional set size: what several processes share is
counted once among them.
"""

from __future__ import annotations

import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from tests.benchmarks.bodies import bodies, written_to
from tests.benchmarks.catalogues import grown_catalogue
from tests.benchmarks.load import as_fast_as_answered, post
from tests.benchmarks.processes import family, memory_mb
from tests.benchmarks.request import PATH
from tests.instances import CHECKOUT, Instance, Stores, own_stores

_HELD = 10_000


def import_seconds(module: str) -> float:
    """CPU seconds to import a module, the least of three."""
    took = []
    for _ in range(3):
        code = f"import time; began = time.process_time(); import {module}; print(time.process_time() - began)"
        done = subprocess.run([sys.executable, "-c", code], cwd=CHECKOUT, capture_output=True, text=True, check=True)
        took.append(float(done.stdout))
    return min(took)


def until_answered(instance: Instance, request: bytes) -> float:
    """Seconds until the next submission is answered."""
    began = time.perf_counter()
    while True:
        try:
            as_fast_as_answered(instance.url, [request], 1)
        except (OSError, AssertionError):
            time.sleep(0.005)
        else:
            return time.perf_counter() - began


def replaced(instance: Instance, request: bytes, times: int = 5) -> float:
    """Seconds from the kill of the only worker to the next answer, the median of some times."""
    took = []
    for _ in range(times):
        os.kill(instance.workers()[0], signal.SIGKILL)
        took.append(until_answered(instance, request))
    return statistics.median(took)


@contextmanager
def _serving(stores: Stores, folder: Path, workers: int) -> Iterator[Instance]:
    instance = Instance(folder, stores.settings | {"LOBEDESK_WORKERS": str(workers)})
    try:
        yield instance
    finally:
        instance.stop()


@click.command()
@click.option("--parts", default=10_000, show_default=True)
@click.option("--sheets", type=click.Path(path_type=Path, exists=True), help="The catalogue's sheets, if made before.")
@click.option("--requests", "count", default=200, show_default=True, help="answered before memory is read")
def main(parts: int, sheets: Path | None, count: int) -> None:
    """Print the figures."""
    for module in ("service.cli", "service.app"):
        click.echo(f"import {module:<12} {import_seconds(module):6.2f} s of CPU")
    # callers hold some of the first parts, which every larger catalogue begins with
    said = bodies(grown_catalogue(min(parts, _HELD)), count, seed=1)
    with tempfile.TemporaryDirectory(prefix="lobedesk-bench-") as name:
        folder = Path(name)
        with own_stores(sheets or written_to(grown_catalogue(parts), folder)) as stores:
            key = stores.make_key("desk")
            # the first server finds work that is done once a revision, which is not to be counted as memory of it
            with _serving(stores, folder / "first", 1) as first:
                request = post(first.url, PATH, key, said[0])
                click.echo(f"worker, killed to answer    {replaced(first, request):8.2f} s")
            memory = {}
            for workers in (1, 4):
                began = time.perf_counter()
                with _serving(stores, folder / f"of{workers}", workers) as server:
                    requests = [post(server.url, PATH, key, body) for body in said]
                    until_answered(server, requests[0])
                    click.echo(f"server of {workers}, start to answer {time.perf_counter() - began:8.2f} s")
                    as_fast_as_answered(server.url, requests, 4 * workers)
                    memory[workers] = memory_mb(family(server.process.pid))
                    click.echo(f"memory of it                {memory[workers]:8.0f} MB")
            click.echo(f"4 workers to 1              {memory[4] / memory[1]:8.2f}")


if __name__ == "__main__":
    main()
