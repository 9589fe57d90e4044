"""Measure: one command in a process of its own, with its wall time, CPU time and peak memory."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

PACK = "Bench"
RATED_AH = 100.0
PROJECT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Measured:
    """What one command took."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    output: str = ""

    @property
    def told(self) -> dict[str, Any]:
        """The last line of its output, as JSON."""
        found: dict[str, Any] = json.loads(self.output.strip().splitlines()[-1])
        return found


def measured(command: Sequence[str | Path]) -> Measured:
    """Run a command to its end; a failing one ends the bench with its message."""
    before = time.perf_counter()
    with subprocess.Popen(
        list(map(str, command)), cwd=PROJECT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        output, errors = process.stdout.read(), process.stderr.read()
        _, status, usage = os.wait4(process.pid, 0)
        wall_s = time.perf_counter() - before
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        sys.exit(f"{' '.join(map(str, command))}\n{errors}")
    return Measured(wall_s, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, output)


def logbook(database: Path, *words: str | Path) -> Measured:
    """Run one command of the program."""
    return measured([sys.executable, "-m", "logbook", "--db", database, "--no-input", *words])


def step(name: str, *words: str | Path | int) -> Measured:
    """Run one function of `tests.bench.steps`."""
    return measured([sys.executable, "-m", "tests.bench.steps", name, *map(str, words)])
