"""What alembic runs: every pending revision, each in a transaction of its own, on the connection it is handed."""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"], transaction_per_migration=True)
with context.begin_transaction():
    context.run_migrations()
