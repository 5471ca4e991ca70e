"""What Alembic runs for each migration: on the connection that `migrate` handed over."""

from alembic import context

from logger.store.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    # Our connections open transactions by hand, hence DDL is undone with the rest on SQLite as well.
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
