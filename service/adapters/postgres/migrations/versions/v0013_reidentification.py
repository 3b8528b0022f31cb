"""Cases asked again under a new catalogue revision."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0013"
down_revision = "0012"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0013_reidentification.sql")
