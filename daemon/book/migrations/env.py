"""What Alembic runs to bring a book forward: the connection is given, and its transaction holds all steps."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
