"""What was written of a posted shaft's events can be taken away, and nothing else of them."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0021"
down_revision = "0020"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0021_erased_events.sql")
