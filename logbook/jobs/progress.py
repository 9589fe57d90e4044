"""Progress: how long jobs tell their caller how far they are."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[float], None]
"""Takes the share that is done, 0 to 1."""


def silent(_share: float) -> None:
    """Show nothing."""
