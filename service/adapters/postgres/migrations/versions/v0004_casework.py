"""Casework: references, claims and leases, decisions, notes, confirmations, the audit trail."""

from alembic import op
from sqlalchemy import text

from service.adapters.postgres.migrations.migrate import run_sql
from service.domain.reference import reference_of

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Run the revision's SQL, and give the cases there are already a reference each."""
    run_sql("0004_casework.sql")
    connection = op.get_bind()
    rows = connection.execute(text("SELECT id FROM submissions ORDER BY id")).all()
    for number, row in enumerate(rows):
        connection.execute(
            text("UPDATE submissions SET reference = :reference WHERE id = :id"),
            {"reference": reference_of(number), "id": row.id},
        )
    connection.execute(text("ALTER TABLE submissions ALTER COLUMN reference SET NOT NULL"))
