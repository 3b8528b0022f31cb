"""A queue as long as is wished: one invented case copied, a review each, written by Postgres itself."""

from __future__ import annotations

import psycopg

from service.adapters.postgres.pool import PostgresStores, open_pool
from service.workflows.ports.stores import KeyRecord
from tests.integration.stored_examples import ANSWER, SUBMISSION

CORES = 12
LAST_CORE = "KX"
"""One review in five is about it, all of the least priority: it stands behind all others."""

COLUMNS = """
SELECT string_agg(quote_ident(column_name), ', ') FROM information_schema.columns
WHERE table_schema = 'public' AND table_name = %s AND is_generated = 'NEVER' AND column_name <> ALL (%s)
"""
INDEXES = """
SELECT indexrelid::regclass::text, pg_get_indexdef(indexrelid) FROM pg_index
WHERE indrelid IN ('submissions'::regclass, 'submission_rounds'::regclass, 'reviews'::regclass)
  AND NOT EXISTS (SELECT FROM pg_constraint WHERE conindid = indexrelid)
"""
REVIEWS = f"""
INSERT INTO reviews (id, submission_id, reason, priority, skill, opened_at, due_at, state, settled_at)
SELECT ('00000002-0000-7000-8000-' || lpad(to_hex(n), 12, '0'))::uuid,
       ('00000001-0000-7000-8000-' || lpad(to_hex(n), 12, '0'))::uuid, 'ambiguous',
       CASE WHEN n %% 5 = 1 THEN 0 ELSE abs(hashint4(n)) %% 3 END,
       CASE WHEN n %% 5 = 1 THEN '{LAST_CORE}' ELSE 'K' || abs(hashint4(n + 1)) %% {CORES} END,
       now() - make_interval(secs => n),
       now() + make_interval(secs => n::bigint * 7919 %% 1000003),
       (CASE WHEN n %% 10 = 0 THEN 'decided' ELSE 'waiting' END)::review_state, CASE WHEN n %% 10 = 0 THEN now() END
FROM generate_series(1, %s) AS n
"""
SILENT = "UPDATE submissions SET changed_at = now() - interval '10 days', state = 'ambiguous'"


def fill_queue(url: str, key: KeyRecord, reviews: int) -> None:
    """So many open cases to which nothing was added for ten days, with a review each: nine in ten wait, of several
    priorities, days and `CORES` cores, and one has been decided. `url` is a superuser's; its database has no cases."""
    with open_pool(url, 1) as pool, PostgresStores(pool).transaction() as transaction:
        transaction.submissions.open(key.id, SUBMISSION, ANSWER, 1)
    with psycopg.connect(url) as connection:
        # what refers to what need not be looked up a million times, and an index is made quicker than it is added to
        connection.execute("SET LOCAL session_replication_role = replica")
        connection.execute("SET LOCAL maintenance_work_mem = '256MB'")
        connection.execute(SILENT)
        indexes = connection.execute(INDEXES).fetchall()
        for name, _ in indexes:
            connection.execute(f"DROP INDEX {name}".encode())
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
        for _, definition in indexes:
            connection.execute(definition.encode())
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("VACUUM ANALYZE submissions, submission_rounds, reviews")
        connection.execute("CHECKPOINT")
