"""Catalogue revisions as the engine reads them, kept."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0018"
down_revision = "0017"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0018_engine_tables.sql")
