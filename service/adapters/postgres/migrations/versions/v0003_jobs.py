"""Jobs: procrastinate's tables and functions."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0003_jobs.sql")
