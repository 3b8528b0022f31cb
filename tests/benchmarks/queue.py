"""Claiming and deciding from a queue of a thousand reviews and from one of a million.

    .venv/bin/python -m tests.benchmarks.queue --reviews 1000 --reviews 1000000

Two databases in one Postgres that keeps what it acknowledges. Cases are one invented case copied; of the reviews, nine
in ten wait, of several priorities, days and cores, and one has been decided. Four threads, each a person at the desk,
claim the next review and decide it, a slice in each database in turn: people who know two cores of twelve, then any.
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
from service.workflows.import_catalogue import import_catalogue
from service.workflows.keys import authenticate, create_key
from service.workflows.ports import KeyRecord
from service.workflows.queue import Hand, Wish, claim_review, decide_review
from tests.benchmarks.catalogues import fixture_catalogue
from tests.integration.stored_examples import ANSWER, SUBMISSION

PEOPLE = 4
VERDICT = Verdict(Outcome.CANNOT_TELL, None, Confidence.SURE, "The benchmark decides nothing.")
SKILLS = ("K3", "K7")

COLUMNS = """
SELECT string_agg(quote_ident(column_name), ', ') FROM information_schema.columns
WHERE table_schema = 'public' AND table_name = %s AND is_generated = 'NEVER' AND column_name <> ALL (%s)
"""
REVIEWS = """
INSERT INTO reviews (id, submission_id, reason, priority, skill, due_at, state, settled_at)
SELECT ('00000002-0000-7000-8000-' || lpad(to_hex(n), 12, '0'))::uuid,
       ('00000001-0000-7000-8000-' || lpad(to_hex(n), 12, '0'))::uuid, 'ambiguous', abs(hashint4(n)) %% 3,
       'K' || abs(hashint4(n + 1)) %% 12,
       now() + make_interval(secs => n::bigint * 7919 %% 1000003),
       (CASE WHEN n %% 10 = 0 THEN 'decided' ELSE 'waiting' END)::review_state, CASE WHEN n %% 10 = 0 THEN now() END
FROM generate_series(1, %s) AS n
"""


def fill(url: str, key: KeyRecord, reviews: int) -> None:
    """So many cases with a review each."""
    with open_pool(url, 1) as pool, PostgresStores(pool).transaction() as transaction:
        transaction.submissions.open(key.id, SUBMISSION, ANSWER, 1)
    with psycopg.connect(url) as connection:
        for table, named, new in (
            ("submissions", ["id", "reference"], "{id}, (10000000 + n)::text"),
            ("submission_rounds", ["submission_id"], "{id}"),
        ):
            row = connection.execute(COLUMNS, (table, named)).fetchone()
            assert row is not None
            values = new.format(id="('00000001-0000-7000-8000-' || lpad(to_hex(n), 12, '0'))::uuid")
            connection.execute(
                f"INSERT INTO {table} ({', '.join(named)}, {row[0]}) SELECT {values}, {row[0]}"
                f" FROM {table}, generate_series(1, {reviews}) AS n".encode()
            )
        connection.execute(REVIEWS, (reviews,))
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("VACUUM ANALYZE")
        connection.execute("CHECKPOINT")


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
@click.option("--count", default=60, show_default=True, help="reviews in a slice")
@click.option("--slices", default=4, show_default=True)
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
            fill(url, key, size)
            click.echo(f"{size:,} reviews written in {time.perf_counter() - began:.0f} s")
            queues.append((stores, key))
        for what, skills in (("for two cores of twelve", SKILLS), ("any review", None)):
            rates: list[list[float]] = [[] for _ in sizes]
            for turn in range(slices + 1):
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
