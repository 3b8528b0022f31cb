"""Drafts of the catalogue as this service holds them, beside their documents."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0019"
down_revision = "0018"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0019_drafts_as_read.sql")
