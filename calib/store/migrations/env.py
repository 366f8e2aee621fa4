"""How Alembic runs the migrations: on the connection, and in the transaction, that it is given."""

from alembic import context

from calib.store.work_tables import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,  # SQLite changes a table by copying it
)
with context.begin_transaction():
    context.run_migrations()
