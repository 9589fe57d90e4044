"""Odd-even reduction gives what SciPy's solver of banded systems gives."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import solveh_banded

from logbook.analysis.tridiagonal import solved


@pytest.mark.parametrize("count", [2, 3, 4, 5, 6, 7, 8, 9, 31, 32, 33, 422, 1000])
def test_it_is_the_solution_of_the_banded_solver(count, rng):
    for _ in range(10):
        own, anchors = rng.lognormal(0, 3, count), rng.lognormal(0, 2, count + 1)
        diagonal, beside = own + anchors[:-1] + anchors[1:], -anchors[1:-1]
        right = rng.normal(size=(count, 5))

        found = solved(diagonal, beside, right)

        expected = solveh_banded(np.vstack([diagonal, np.append(beside, 0.0)]), right, lower=True)
        assert np.abs(found - expected).max() <= 1e-11 * np.abs(expected).max()


def test_one_equation_and_none():
    assert solved(np.array([4.0]), np.empty(0), np.array([[2.0, 8.0]])).tolist() == [[0.5, 2.0]]
    assert solved(np.empty(0), np.empty(0), np.empty((0, 3))).shape == (0, 3)


def test_what_it_is_given_stays_as_it_was(rng):
    given = (np.full(6, 4.0), rng.normal(size=5), rng.normal(size=(6, 2)))
    before = [values.copy() for values in given]

    solved(*given)

    assert all((now == then).all() for now, then in zip(given, before, strict=True))


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_what_is_not_finite_is_refused(bad):
    with pytest.raises(ValueError, match="finite"):
        solved(np.array([1.0, bad]), np.array([0.0]), np.ones((2, 1)))
