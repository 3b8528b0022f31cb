"""Indexes for queues of a million reviews, made while others write."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0017"
down_revision = "0016"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0017_long_queues.sql", beside_others=True)
