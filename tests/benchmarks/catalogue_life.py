"""What a catalogue's life costs at a size: read from CSV, stored, read by a worker, one part changed, written out.

A Postgres of its own, thrown away, that waits for its disk as a real one does. Each step with its time on the clock,
and the processor's time of this process and of the server, which another load on the machine hardly changes.

    .venv/bin/python -m tests.benchmarks.catalogue_life --parts 100000

Growing the sheets of a million parts takes longer than reading them: `--sheets FOLDER` keeps them there, and reads them
from there the next time.
"""

from __future__ import annotations

import os
import resource
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import click

from fixtures.grow_catalogue import grow
from service.adapters.catalogue_source import check_source
from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.postgres.migrations.migrate import upgrade
from service.adapters.postgres.pool import PostgresStores, open_pool
from service.adapters.stored_catalogue import catalogue_from_bytes, catalogue_to_bytes
from service.catalogue_files.edits import put_part
from service.catalogue_files.written import written_csv, written_json
from service.identification.catalogue_table.table import build_table
from service.identification.measuring.model import DEFAULT_MODEL
from service.serving.collecting import collect_seldom
from service.workflows.catalogue.edit_catalogue import edit_catalogue
from service.workflows.catalogue.import_catalogue import import_catalogue, report_on
from service.workflows.catalogue.revisions import restore_revision
from service.workflows.identifying.snapshot import CatalogueSnapshot
from tests.benchmarks.processes import cpu_seconds, family


class Clock:
    """Times steps: of this process, and of a server and all below it."""

    def __init__(self, server: int) -> None:
        self._server = server

    def _server_s(self) -> float:
        return cpu_seconds(family(self._server))

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Print what a step took."""
        server, own, began = self._server_s(), time.process_time(), time.perf_counter()
        yield
        wall, own = time.perf_counter() - began, time.process_time() - own
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        served = self._server_s() - server
        print(f"{name:34} {wall:8.2f} s   processor {own:7.2f} s + server {served:6.2f} s   at most {most:6.0f} MiB")


@click.command()
@click.option("--parts", default=10_000, help="How many parts.")
@click.option("--sheets", type=click.Path(path_type=Path), help="Where the sheets are kept, or are already.")
def main(parts: int, sheets: Path | None) -> None:
    """Print the steps."""
    collect_seldom()  # as the commands and the servers do
    with tempfile.TemporaryDirectory(prefix="lobedesk-life-") as name:
        folder = Path(name)
        source = sheets or folder / "sheets"
        if not source.exists():
            cores, count = grow_elsewhere(parts, source)
            print(f"{cores} cores and {count} parts")
        (folder / "run").mkdir(mode=0o700)
        server = EmbeddedPostgres(folder / "postgres", folder / "run")
        server.start()
        try:
            upgrade(server.url())
            with open_pool(server.url()) as pool:
                _live(PostgresStores(pool), Clock(server.pid or 0), source)
        finally:
            server.stop()


def grow_elsewhere(parts: int, target: Path) -> tuple[int, int]:
    """Make the sheets in a process of its own, so that what that takes is not counted as memory of this one."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        made = grow(parts, 1, target)
        os.write(writer, f"{made[0]} {made[1]}".encode())
        os._exit(0)
    os.waitpid(child, 0)
    cores, count = os.read(reader, 100).split()
    return int(cores), int(count)


def _live(stores: PostgresStores, clock: Clock, sheets: Path) -> None:
    with clock.step("read from CSV and checked"):
        whole = check_source(sheets).taken()
    with clock.step("its table built"):
        build_table(whole, DEFAULT_MODEL)
    with clock.step("that, and its look-alikes"):
        report_on(whole)
    with clock.step("all that, stored and made active"):
        import_catalogue(stores, whole, who="the benchmark", why="another")
    kept = catalogue_to_bytes(whole)
    with clock.step("read as a draft is opened"):
        catalogue_from_bytes(kept)
    del kept
    with clock.step("table read, as a process starts"):
        CatalogueSnapshot().now(stores)
    with clock.step("loaded"), stores.transaction() as transaction:
        transaction.catalogue.allow_time()
        transaction.catalogue.load(1)
    part = replace(whole.parts[5], title="Another title")
    with clock.step("one part changed"), stores.transaction() as transaction:
        edit_catalogue(
            transaction,
            lambda catalogue: put_part(catalogue, part, part.part_number),
            lambda revision: None,
            who="the benchmark",
            why="a title",
        )
    with clock.step("gone back to the first"), stores.transaction() as transaction:
        restore_revision(transaction, 1, who="the benchmark", why="back")
    with clock.step("written as CSV and as JSON"):
        written_csv(whole)
        written_json(whole)


if __name__ == "__main__":
    main()
