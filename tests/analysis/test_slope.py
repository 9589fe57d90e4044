"""The robust slope against SciPy's (Theil 1950, Sen 1968)."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import theilslopes

from logbook.analysis.slope import theil_sen
from logbook.errors import NotEnoughData

POINTS = st.lists(
    st.tuples(st.integers(0, 40).map(lambda step: step / 8), st.integers(-200, 200).map(lambda step: step / 4)),
    min_size=3,
    max_size=40,
)


@given(POINTS, st.sampled_from([0.8, 0.9, 0.95]))
def test_slope_interval_and_intercept_are_those_of_scipy(points, level):
    years, values = np.array(points).T
    assume(np.ptp(years) > 0)

    found = theil_sen(years, values, level)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # where all is tied it says that it gives no interval
        slope, intercept, low, high = theilslopes(values, years, alpha=level)
    assert found.slope_per_year.value == pytest.approx(slope, abs=1e-9)
    assert found.intercept == pytest.approx(intercept, abs=1e-9)
    if np.isfinite([low, high]).all():
        assert (found.slope_per_year.low, found.slope_per_year.high) == pytest.approx((low, high), abs=1e-9)


def test_points_at_one_time_have_no_slope():
    with pytest.raises(NotEnoughData):
        theil_sen(np.ones(4), np.arange(4.0))
