"""Run by alembic. The connection comes from `migrations.upgrade`, which also owns the transaction."""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
