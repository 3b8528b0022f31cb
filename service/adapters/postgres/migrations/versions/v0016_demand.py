"""Each part's share of callers, as learned."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0016"
down_revision = "0015"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0016_demand.sql")
