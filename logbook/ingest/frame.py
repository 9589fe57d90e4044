"""Frame: rows on their way from text to readings; every column is float64 [n] in the logbook's units."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Frame:
    """Rows with their lines and times; order is that of the file until it is sorted."""

    lines: NDArray[np.int64]
    """Line of each row in the file (1-based)."""
    ts_ms: NDArray[np.int64]
    """UTC milliseconds, or local ones until the zone is known."""
    columns: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    words: dict[str, tuple[NDArray[np.int32], list[str]]] = field(default_factory=dict)
    """Word columns: codes [n], -1 where empty, and what they stand for."""

    def __len__(self) -> int:
        return len(self.lines)

    def get(self, name: str) -> NDArray[np.float64]:
        """A column, all NaN where the file has none."""
        found = self.columns.get(name)
        return np.full(len(self), np.nan) if found is None else found

    def has(self, name: str) -> bool:
        """Whether the column holds anything."""
        found = self.columns.get(name)
        if found is None or not len(found):
            return False
        return not (np.isnan(found[0]) and np.isnan(found).all())

    def take(self, rows: NDArray[np.bool_] | NDArray[np.intp] | slice) -> Frame:
        """These rows, in this order."""
        return Frame(
            self.lines[rows],
            self.ts_ms[rows],
            {name: values[rows] for name, values in self.columns.items()},
            {name: (codes[rows], known) for name, (codes, known) in self.words.items()},
        )

    def with_columns(self, **columns: NDArray[np.float64]) -> Frame:
        """The same rows with columns added or replaced."""
        return replace(self, columns={**self.columns, **columns})

    def without(self, *names: str) -> Frame:
        """The same rows without these columns."""
        return replace(self, columns={name: values for name, values in self.columns.items() if name not in names})


def joined(frames: Sequence[Frame]) -> Frame:
    """Frames one after another; columns that one lacks are NaN there."""
    if len(frames) == 1:
        return frames[0]
    names = dict.fromkeys(name for frame in frames for name in frame.columns)
    word_names = dict.fromkeys(name for frame in frames for name in frame.words)
    return Frame(
        np.concatenate([frame.lines for frame in frames]),
        np.concatenate([frame.ts_ms for frame in frames]),
        {name: np.concatenate([frame.get(name) for frame in frames]) for name in names},
        {
            name: _joined_words([frame.words.get(name) for frame in frames], [len(frame) for frame in frames])
            for name in word_names
        },
    )


def _joined_words(
    parts: Sequence[tuple[NDArray[np.int32], list[str]] | None], sizes: Sequence[int]
) -> tuple[NDArray[np.int32], list[str]]:
    known: dict[str, int] = {}
    codes: list[NDArray[np.int32]] = []
    for part, size in zip(parts, sizes, strict=True):
        if part is None:
            codes.append(np.full(size, -1, np.int32))
            continue
        here = np.array([known.setdefault(word, len(known)) for word in part[1]] or [-1], np.int32)
        codes.append(np.where(part[0] < 0, -1, here[part[0]]).astype(np.int32))
    return np.concatenate(codes), list(known)
