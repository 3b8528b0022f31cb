"""Origins of widget keys."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0007_key_origins.sql")
