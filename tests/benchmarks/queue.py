"""Claiming and deciding from a queue of a thousand reviews and from one of a million.

    .venv/bin/python -m tests.benchmarks.queue --reviews 1000 --reviews 1000000

Two databases in one Postgres that keeps what it acknowledges, each with a queue as `tests.long_queue` makes it. Four
threads, each a person at the desk, claim the next review and decide it, a slice in each database in turn: people who
know two cores of twelve, then one core that stands behind all others, then any.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import click
import psycopg

from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.postgres.migrations.migrate import upgrade
from service.adapters.postgres.pool import PostgresStores, open_pool
from service.domain.access import Role
from service.domain.casework import DEFAULT_RULES
from service.domain.review import Confidence, Outcome, Verdict
from service.workflows.cases.queue import Hand, Wish, claim_review, decide_review
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.keys import authenticate, create_key
from service.workflows.ports.stores import KeyRecord
from tests.benchmarks.catalogues import fixture_catalogue
from tests.long_queue import LAST_CORE, fill_queue

PEOPLE = 4
VERDICT = Verdict(Outcome.CANNOT_TELL, None, Confidence.SURE, "The benchmark decides nothing.")
SKILLS = ("K3", "K7")


def one_slice(stores: PostgresStores, key: KeyRecord, count: int, skills: tuple[str, ...] | None) -> float:
    """Reviews claimed and decided a second."""

    def work(person: int) -> None:
        hand = Hand(key, f"person {person}")
        for _ in range(count // PEOPLE):
            with stores.transaction() as transaction:
                review = claim_review(transaction, key, Wish(person=hand.person, skills=skills), DEFAULT_RULES)
            assert review is not None
            with stores.transaction() as transaction:
                decide_review(transaction, hand, review.id, VERDICT, review.row_revision, DEFAULT_RULES)

    began = time.perf_counter()
    with ThreadPoolExecutor(PEOPLE) as people:
        for each in [people.submit(work, person) for person in range(PEOPLE)]:
            each.result()
    return count / (time.perf_counter() - began)


@click.command()
@click.option("--reviews", "sizes", multiple=True, default=(1_000, 1_000_000), show_default=True)
@click.option("--count", default=50, show_default=True, help="reviews in a slice")
@click.option("--slices", default=4, show_default=True, help="of any review three times as many")
def main(sizes: tuple[int, ...], count: int, slices: int) -> None:
    """Print reviews claimed and decided a second in each queue, and the ratios to the first."""
    with tempfile.TemporaryDirectory(prefix="lobedesk-queue-") as name, ExitStack() as stack:
        folder = Path(name)
        (folder / "run").mkdir(mode=0o700)
        postgres = EmbeddedPostgres(folder / "postgres", folder / "run")
        postgres.start()
        stack.callback(postgres.stop)
        queues: list[tuple[PostgresStores, KeyRecord]] = []
        for size in sizes:
            with psycopg.connect(postgres.url(), autocommit=True) as connection:
                connection.execute(f"CREATE DATABASE queue_{size}".encode())
            url = postgres.url(f"queue_{size}")
            upgrade(url)
            stores = PostgresStores(stack.enter_context(open_pool(url, PEOPLE)))
            import_catalogue(stores, fixture_catalogue(), who="benchmark", why="invented")
            key = authenticate(stores, create_key(stores, Role.DESK, "benchmark"))
            began = time.perf_counter()
            fill_queue(url, key, size)
            click.echo(f"{size:,} reviews written in {time.perf_counter() - began:.0f} s")
            queues.append((stores, key))
        for what, skills, turns in (
            ("for two cores of twelve", SKILLS, slices),
            ("for the core that stands last", (LAST_CORE,), slices),
            ("any review", None, 3 * slices),
        ):
            rates: list[list[float]] = [[] for _ in sizes]
            for turn in range(turns + 1):
                for rate, (stores, key) in zip(rates, queues, strict=True):
                    found = one_slice(stores, key, count if skills is None else count * 2 // 5, skills)
                    rate += [found] if turn else []  # the first warms everything
            shown = ", ".join(
                f"{size:,}: {statistics.median(rate):.0f}/s" for size, rate in zip(sizes, rates, strict=True)
            )
            ratios = [statistics.median(a / b for a, b in zip(rate, rates[0], strict=True)) for rate in rates[1:]]
            click.echo(f"{what}: {shown}; to the first " + ", ".join(f"{ratio:.2f}" for ratio in ratios))


if __name__ == "__main__":
    main()
