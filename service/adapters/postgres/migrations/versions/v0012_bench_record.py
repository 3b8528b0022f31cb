"""The bench's measuring instruments, their calibrations, and the conditions lift tables were taken under."""

from service.adapters.postgres.migrations.migrate import run_sql

revision = "0012"
down_revision = "0011"


def upgrade() -> None:
    """Run the revision's SQL."""
    run_sql("0012_bench_record.sql")
