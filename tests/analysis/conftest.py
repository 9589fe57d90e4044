"""What the analysis tests share: a pack, seeded chance, and read-only readings of a small cell."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.analysis.digest import digest
from tests.analysis.timeline import PACK, Timeline, year_of_use


@pytest.fixture
def pack():
    """Four LiFePO4 cells, 100 Ah."""
    return PACK


@pytest.fixture
def rng():
    """Chance that repeats."""
    return np.random.default_rng(20240301)


@pytest.fixture
def cell():
    """Two days with a full charge, a discharge, a cold charge and a pause; the arrays are read-only."""
    log = Timeline(soc=0.6).charge_full().flow(-10.0, 5).rest(3).pause(4).flow(-5.0, 4)
    return log.at(-4.0).flow(8.0, 2).at(12.0).rest(4).charge_full().run_empty().readings()


@pytest.fixture(scope="session")
def healthy_year():
    """Digest of a year with a true 96 Ah, read by a sensor 0.05 A off."""
    return digest(year_of_use(capacity_ah=96.0, offset_a=-0.05).readings(), PACK)
