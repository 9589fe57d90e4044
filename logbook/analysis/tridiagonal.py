"""Tridiagonal: symmetric systems of equations in which each unknown meets its two neighbours only.

Solved by odd-even reduction (Hockney 1965, J. ACM 12:95, from memory): every second unknown is eliminated at once, so
that arrays do the work. Each diagonal element must outweigh its neighbours, as that of a covariance of spans that
share an anchor does; then it is as exact as elimination row by row. Done here because loading a library of linear
algebra for it takes longer than the whole answer.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def solved(
    diagonal: NDArray[np.float64], beside: NDArray[np.float64], right: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Give the unknowns [n, k] of a system with `diagonal` [n], `beside` it [n - 1], and right-hand sides [n, k].

    Raises ValueError where anything given is not finite: no answer may rest on it.
    """
    if not all(np.isfinite(values).all() for values in (diagonal, beside, right)):
        raise ValueError("a system of equations must be finite")
    return _reduced(diagonal, beside, right)


def _reduced(
    diagonal: NDArray[np.float64], beside: NDArray[np.float64], right: NDArray[np.float64]
) -> NDArray[np.float64]:
    if len(diagonal) < 2:
        return np.asarray(right / diagonal[:, np.newaxis])
    even, odd = diagonal[::2].copy(), diagonal[1::2]
    even_right, odd_right = right[::2].copy(), right[1::2]
    before, after = beside[::2], beside[1::2]
    left, onward = before / odd, after / odd[: len(after)]
    follows = slice(1, 1 + len(after))
    even[: len(odd)] -= left * before
    even[follows] -= onward * after
    even_right[: len(odd)] -= left[:, np.newaxis] * odd_right
    even_right[follows] -= onward[:, np.newaxis] * odd_right[: len(after)]
    result = np.empty_like(right)
    result[::2] = _reduced(even, -left[: len(after)] * after, even_right)
    rest = odd_right - before[:, np.newaxis] * result[:-1:2][: len(odd)]
    rest[: len(after)] -= after[:, np.newaxis] * result[2::2]
    result[1::2] = rest / odd[:, np.newaxis]
    return result
