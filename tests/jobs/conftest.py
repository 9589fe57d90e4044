"""A simulated pack, made once: long enough for every kind of finding."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.simulator import SCENARIOS, Simulated, simulate


@pytest.fixture(scope="session")
def travelled() -> Simulated:
    """Six weeks of travelling with one reading a minute."""
    (simulated,) = simulate(replace(SCENARIOS["fulltime_worn"], days=42, dt_s=30.0), [4])
    return simulated
