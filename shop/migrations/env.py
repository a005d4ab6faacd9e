"""Runs the steps on the connection that `shop.store` holds, inside its transaction."""

from alembic import context

from shop.store import VERSION_TABLE, metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    version_table=VERSION_TABLE,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
