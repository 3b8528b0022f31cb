"""Cases: keys, submissions, answers, reviews, idempotency."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0002_cases.sql")
