"""Snapshot: a logbook as it is at one moment, however long it is looked at and whatever is written meanwhile."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import sqlalchemy as sa

from logbook.store import models
from logbook.store.engine import Store, explained

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy.engine import Connection


class Snapshot(Store):
    """A store for one thread, all of whose transactions are the same one; nothing can be written through it."""

    def __init__(self, store: Store, connection: Connection) -> None:
        self.url, self.path, self.engine = store.url, store.path, store.engine
        self.read_only = True
        self._connection = connection

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give the one transaction."""
        with explained(self.path):
            yield self._connection

    def close(self) -> None:
        """Leave the file to the store it was taken of."""


@contextmanager
def snapshot(store: Store) -> Iterator[Snapshot]:
    """Hold a logbook still for the reader; writers go on, and are seen by the next snapshot."""
    with store.reading() as connection:
        connection.execute(sa.select(models.pack.c.id).limit(1)).all()  # a transaction's moment is its first look
        yield Snapshot(store, connection)
