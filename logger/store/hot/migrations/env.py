"""What Alembic runs for each migration: on the connection that `migrate` handed over."""

from alembic import context

from logger.store.hot.tables import metadata


def run() -> None:
    """Run the versions that are missing, in the transaction of the caller."""
    context.configure(
        connection=context.config.attributes["connection"],
        target_metadata=metadata,
        # Our connections open transactions by hand, hence DDL is undone with the rest on SQLite as well.
        transactional_ddl=True,
    )
    with context.begin_transaction():
        context.run_migrations()


# Only inside a migration has the context a configuration; a tool that imports this file does nothing.
if hasattr(context, "config"):
    run()
