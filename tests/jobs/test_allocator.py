"""Freed memory is kept for the next array where the C library can be told to; elsewhere nothing is promised."""

from __future__ import annotations

import subprocess
import sys

FAULTS = """
import resource
import numpy as np
from logbook.jobs.allocator import keep_freed
kept = keep_freed() if {told} else False
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(40):
    np.ones(1 << 23)
print(int(kept), resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


def faults(*, told: bool) -> tuple[int, int]:
    done = subprocess.run([sys.executable, "-c", FAULTS.format(told=told)], capture_output=True, text=True, check=True)
    kept, pages = map(int, done.stdout.split())
    return kept, pages


def test_pages_are_not_cleared_anew_for_every_array():
    kept, pages = faults(told=True)
    _, pages_else = faults(told=False)

    assert not kept or 4 * pages < pages_else
