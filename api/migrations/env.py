"""Runs the steps on the connection that `api.migrate` hands over; there is no other way in."""

from alembic import context

from api.migrate import records_metadata

_connection = context.config.attributes["connection"]
context.configure(connection=_connection, target_metadata=records_metadata(), render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()
