"""Progress: a bar on a terminal's stderr, silence elsewhere."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

from logbook.cli.output import clean

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.progress import Progress, TaskID


class Meter:
    """Shows how far a job is; called with fractions from 0 to 1."""

    def __init__(self, bar: Progress | None = None, task: TaskID | None = None) -> None:
        self._bar, self._task = bar, task

    def __call__(self, done: float) -> None:
        """Show a new state."""
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, completed=done)

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Leave the terminal to a question."""
        if self._bar is None:
            yield
            return
        self._bar.stop()
        try:
            yield
        finally:
            self._bar.start()


@contextmanager
def progress(label: str) -> Iterator[Meter]:
    """Open a meter for one job."""
    if not sys.stderr.isatty():
        yield Meter()
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(file=sys.stderr), transient=True) as bar:
        yield Meter(bar, bar.add_task(clean(label), total=1.0))
