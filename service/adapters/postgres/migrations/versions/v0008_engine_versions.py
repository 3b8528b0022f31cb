"""Engine versions."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0008_engine_versions.sql")
