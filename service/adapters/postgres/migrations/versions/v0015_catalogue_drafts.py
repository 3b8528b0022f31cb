"""Catalogues that were uploaded and are not published yet."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0015"
down_revision = "0014"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0015_catalogue_drafts.sql")
