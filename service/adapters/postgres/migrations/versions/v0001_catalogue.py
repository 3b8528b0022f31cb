"""The catalogue: revisions, cores, parts."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0001_catalogue.sql")
