"""Keys that several people share, and say so."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0020"
down_revision = "0019"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0020_shared_keys.sql")
