"""Keys that expire."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0011"
down_revision = "0010"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0011_key_expiry.sql")
