"""Look-alike maps."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0009_look_alikes.sql")
