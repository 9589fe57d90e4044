"""Runs: stretches of consecutive samples that share a property, broken at gaps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray


def runs(mask: NDArray[np.bool_], gap_after: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """Yield (first, last) index of each stretch of True that no gap interrupts, both inclusive."""
    places = np.flatnonzero(mask)
    if not len(places):
        return
    broken = (np.diff(places) > 1) | gap_after[places[:-1]]
    firsts = places[np.append(True, broken)]
    lasts = places[np.append(broken, True)]
    yield from zip(firsts.tolist(), lasts.tolist(), strict=True)


def joined(
    pieces: Iterator[tuple[int, int]], ts_ms: NDArray[np.int64], gap_after: NDArray[np.bool_], within_s: float
) -> list[tuple[int, int]]:
    """Join stretches less than `within_s` apart where the log does not pause between them."""
    result: list[tuple[int, int]] = []
    for first, last in pieces:
        if result:
            start, end = result[-1]
            near = ts_ms[first] - ts_ms[end] <= within_s * 1000
            if near and not gap_after[end:first].any():
                result[-1] = (start, last)
                continue
        result.append((first, last))
    return result
