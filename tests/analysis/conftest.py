"""What the analysis tests share: a pack, seeded chance, and read-only readings of a small cell."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.analysis.balance import balance
from logbook.analysis.capacity import capacity
from logbook.analysis.fade import fade
from logbook.analysis.monitor import monitor
from tests.analysis.histories import drawn_world, two_years
from tests.analysis.timeline import PACK, Timeline


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
def many_worlds():
    """(truth, capacity now, capacity, fade, monitor) of 200 histories drawn with one seed."""
    rng = np.random.default_rng(90)
    results = []
    for _ in range(200):
        world = drawn_world(rng)
        history = two_years(world, rng, scatter=0.003)
        tables = history.tables()
        solved = balance(tables, PACK)
        measured = capacity(solved, tables["hours"], PACK)
        results.append(
            (world, history.capacity_now(), measured, fade(solved, measured, PACK), monitor(solved, tables, PACK))
        )
    return results
