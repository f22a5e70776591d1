"""Run by Alembic: migrations on the connection that the ledger hands over."""

from alembic import context

from underlid.store.tables import metadata

context.configure(
    connection=context.config.attributes["connection"], target_metadata=metadata, render_as_batch=True
)
with context.begin_transaction():
    context.run_migrations()
