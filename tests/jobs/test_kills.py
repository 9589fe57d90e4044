"""Real processes killed in the middle of what they do; `python -m tests.bench kills` does it a few hundred times."""

from __future__ import annotations

import itertools
import sys

import numpy as np
import pytest

from tests.bench.kills import CASES, Bench

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="kills by SIGKILL")

KILLS = 4
"""Of each command: three at boundaries of its statements, spread over them, and one at a moment."""


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_killed_command_leaves_all_or_nothing_and_completes_when_it_is_given_again(case, tmp_path):
    bench = Bench(case, tmp_path, interval_s=300)
    rng = np.random.default_rng()
    borders = np.linspace(1, bench.steps + 1, KILLS).astype(int)
    steps = [int(rng.integers(first, last)) for first, last in itertools.pairwise(borders)]

    kills = [bench.kill(step=step) for step in steps]
    kills.append(bench.kill(after_s=float(rng.uniform(0.0, bench.took_s))))

    assert [kill for kill in kills if kill.problems] == []
    assert any(kill.landed for kill in kills)
