"""Resolution: the step an instrument shows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.resolution import resolution
from tests.analysis.properties import PROPERTY

DAY_MS = 86_400_000


def step_of(values):
    return resolution(np.arange(len(values)) * 60_000, np.asarray(values, float))


@pytest.mark.parametrize("step", [1.0, 0.5, 0.1])
def test_a_thermometer_s_step_is_read_off_its_values(step, rng):
    values = np.round(rng.normal(4.0, 3.0, 500) / step) * step

    assert (step_of(values) == step).all()


def test_a_fine_thermometer_is_finer_than_a_tenth(rng):
    assert (step_of(np.round(rng.normal(4.0, 3.0, 500), 2)) < 0.1).all()


def test_each_day_stands_alone(rng):
    values = np.append(np.round(rng.normal(4.0, 3.0, 100)), np.round(rng.normal(4.0, 3.0, 100), 1))
    ts_ms = np.append(np.arange(100), DAY_MS // 60_000 + np.arange(100)) * 60_000

    found = resolution(ts_ms, values)

    assert (found[:100] == 1.0).all()
    assert (found[100:] == 0.1).all()


@PROPERTY
@given(st.lists(st.one_of(st.floats(-40.0, 60.0), st.just(float("nan"))), min_size=1, max_size=50))
def test_a_step_is_always_one_of_the_known_ones(values):
    assert set(step_of(values)) <= {1.0, 0.5, 0.1, 0.01}
