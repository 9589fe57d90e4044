"""Alembic's entry: on the program's own connection, or on LOGBOOK_DB when run by a developer."""

from __future__ import annotations

import os

from alembic import context

from logbook.store.engine import migration_engine
from logbook.store.models import metadata


def run(connection: object) -> None:
    """Run the migrations in the caller's transaction, all or none."""
    context.configure(
        connection=connection,  # type: ignore[arg-type]
        target_metadata=metadata,
        render_as_batch=True,
        transactional_ddl=True,
        transaction_per_migration=False,
    )
    with context.begin_transaction():
        context.run_migrations()


given = context.config.attributes.get("connection")
if given is not None:
    run(given)
else:
    with migration_engine(os.environ["LOGBOOK_DB"]).begin() as own:
        run(own)
