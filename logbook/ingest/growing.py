"""Growing: one column of a file, gathered block by block where it will stay, so that nothing is held twice."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

LEAST_ROWS = 1 << 10
ROOM = 1.02
"""Of the rows expected, so many are made room for; room that stays empty takes up no memory."""


class Growing:
    """An array of one kind that rows are added to; `expected` is how many there will be, if that is known."""

    def __init__(self, kind: type[np.generic], expected: int = 0) -> None:
        self._held: NDArray[Any] = np.empty(max(round(ROOM * expected), LEAST_ROWS), kind)
        self._rows = 0
        self._before = 0

    def __len__(self) -> int:
        return self._rows

    def add(self, values: NDArray[Any]) -> None:
        """Add a block."""
        rows = self._rows + len(values)
        if rows > len(self._held):
            held, self._held = self._held, np.empty(max(rows, 2 * len(self._held)), self._held.dtype)
            self._held[: self._rows] = held[: self._rows]
        self._held[self._rows : rows] = values
        self._before, self._rows = self._rows, rows

    def keep(self, rows: NDArray[np.bool_]) -> None:
        """Keep only these rows of the block added last."""
        kept = self.last[rows]
        self._rows = self._before + len(kept)
        self._held[self._before : self._rows] = kept

    @property
    def last(self) -> NDArray[Any]:
        """The block added last."""
        return self._held[self._before : self._rows]

    @property
    def whole(self) -> NDArray[Any]:
        """All rows so far, without copying."""
        return self._held[: self._rows]
