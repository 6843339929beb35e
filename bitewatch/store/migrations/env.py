"""Alembic's entry: runs the steps on the connection that `bitewatch.store.migrate` hands over."""

from alembic import context

from bitewatch.store.metadata import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata, render_as_batch=True, transactional_ddl=True)
context.run_migrations()
