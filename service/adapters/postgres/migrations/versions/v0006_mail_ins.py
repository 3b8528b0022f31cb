"""Shafts posted in, what happened to them, and photos."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0006_mail_ins.sql")
