"""Runs the migrations on the connection that `triage.record.opening` hands over, in its transaction."""

from alembic import context

from triage.record.tables import Table

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Table.metadata,
    transactional_ddl=True,
    render_as_batch=True,
)
context.run_migrations()
