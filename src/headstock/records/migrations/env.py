"""Alembic's entry: the store hands in its open connection; there is no configuration file."""

from alembic import context

from headstock.records.tables import Base

context.configure(
    connection=context.config.attributes["connection"], target_metadata=Base.metadata, render_as_batch=True
)
with context.begin_transaction():
    context.run_migrations()
