"""Letters, webhook addresses, and the outbox."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0005_letters_and_outbox.sql")
