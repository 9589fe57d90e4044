"""Progress: a bar on a terminal's stderr, silence elsewhere."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

from logbook.cli.output import clean

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


@contextmanager
def progress(label: str) -> Iterator[Callable[[float], None]]:
    """Show how far a job is; it reports fractions from 0 to 1."""
    if not sys.stderr.isatty():
        yield lambda _done: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(file=sys.stderr), transient=True) as bar:
        task = bar.add_task(clean(label), total=1.0)
        yield lambda done: bar.update(task, completed=done)
