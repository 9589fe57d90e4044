"""Dashboard: the answers as pages in a browser; `create_app` makes it and `serve` runs it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logbook.dashboard.app import create_app
from logbook.dashboard.pages import (
    attention,
    capacity,
    cold,
    details,
    glance,
    imports,
    monitor,
    overview,
    parked,
    readings,
    receipt,
    settings,
    use,
)
from logbook.dashboard.server import serve

if TYPE_CHECKING:
    from logbook.dashboard.page import Page

PAGES: tuple[Page, ...] = (
    overview.PAGE,
    glance.PAGE,
    capacity.PAGE,
    cold.PAGE,
    parked.PAGE,
    use.PAGE,
    monitor.PAGE,
    attention.PAGE,
    readings.PAGE,
    details.PAGE,
    imports.PAGE,
    receipt.PAGE,
    settings.PAGE,
)
"""Every page; adding one touches this line and its module."""

__all__ = ["PAGES", "create_app", "serve"]
