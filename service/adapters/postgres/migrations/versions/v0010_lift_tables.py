"""Lift tables kept with submissions and posted shafts."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0010_lift_tables.sql")
