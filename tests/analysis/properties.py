"""How properties are tried: the same examples every time, no clock."""

from __future__ import annotations

from hypothesis import settings
from hypothesis import strategies as st

PROPERTY = settings(max_examples=30, deadline=None, derandomize=True, database=None)
SLOW_PROPERTY = settings(PROPERTY, max_examples=6)

ratings_ah = st.sampled_from([20.0, 50.0, 105.0, 200.0, 280.0])
currents_a = st.lists(st.floats(-80.0, 60.0).map(lambda value: round(value, 2)), min_size=2, max_size=60)
shifts_days = st.integers(-700, 700)
