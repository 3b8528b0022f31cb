"""What a customer goes on seeing while a changed answer waits for a person."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0014"
down_revision = "0013"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0014_what_was_told.sql")
