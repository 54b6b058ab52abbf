"""Alembic's entry: runs migrations on the connection that ``daemon.migrations.upgrade`` hands over."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
