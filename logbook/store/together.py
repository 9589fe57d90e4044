"""Together: a store whose transactions are all one, so that what several functions write lands whole or not at all."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from logbook.store import originals
from logbook.store.engine import Store

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy.engine import Connection


class OneTransaction(Store):
    """A store within a transaction of another: reading and writing both go on in it."""

    def __init__(self, store: Store, connection: Connection) -> None:
        self.url, self.read_only, self.path, self.engine = store.url, store.read_only, store.path, store.engine
        self._connection = connection

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Go on in the transaction."""
        yield self._connection

    @contextmanager
    def writing(self, patience_ms: int | None = None) -> Iterator[Connection]:  # noqa: ARG002 - it alone writes already
        """Go on in the transaction, which alone may write."""
        yield self._connection

    def close(self) -> None:
        """Nothing; the store it is within stays open."""


@contextmanager
def one_transaction(store: Store, sha256: str) -> Iterator[OneTransaction]:
    """Open a transaction for several imports of one file; where it fails, the kept file goes with it."""
    kept = store.originals_folder / originals.name_of(sha256)
    with store.writing() as connection:
        there_before = kept.exists()
        try:
            yield OneTransaction(store, connection)
        except BaseException:
            if not there_before:
                kept.unlink(missing_ok=True)
            raise
