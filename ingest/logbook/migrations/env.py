"""Where Alembic is handed the connection that `ingest.logbook.schema` has opened; it never opens its own."""

from alembic import context

from ingest.logbook.tables import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata, render_as_batch=True, transactional_ddl=True)
# The caller's transaction is already open and is committed by the caller, together with the record of this step.
context.run_migrations()
