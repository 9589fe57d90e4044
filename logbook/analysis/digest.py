"""Digest: readings in, small tables out; everything an answer needs and nothing longer than it must be.

Each row belongs to the UTC day of its `start_ms` and depends on readings at most MARGIN_MS away,
so that a touched range can be digested again alone and gives what a full pass gives.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from logbook.analysis.anchors import anchors
from logbook.analysis.blocked import blocked
from logbook.analysis.cells import cells
from logbook.analysis.cold import cold
from logbook.analysis.counter import counter
from logbook.analysis.dead_band import dead_band
from logbook.analysis.ledger import ledger
from logbook.analysis.openings import CONTINUED, openings
from logbook.analysis.pauses import pauses
from logbook.analysis.resets import resets
from logbook.analysis.sights import sights
from logbook.analysis.spells import spells
from logbook.analysis.status import said
from logbook.analysis.steps import steps
from logbook.analysis.tally import hourly, tally
from logbook.analysis.track import track
from logbook.units import MS_PER_DAY

if TYPE_CHECKING:
    import pandas as pd

    from logbook.schema.pack import Pack
    from logbook.schema.reading import Readings

MARGIN_MS = 2 * MS_PER_DAY
"""Context needed on both sides of a touched range, in whole days."""
VERSION = 22
"""Raised when the tables change, so that stored ones are made anew."""


def digest(readings: Readings, pack: Pack) -> dict[str, pd.DataFrame]:
    """Reduce readings to the ledger `hours` and one table for each module here."""
    counted = track(readings)
    tallied = tally(counted)
    opened = openings(counted, pack)
    refused = blocked(counted, pack)
    begun = opened[opened["kind"] != CONTINUED]
    words = said(counted, pack)
    told = words[~words["goes_on"].to_numpy(bool) & (words["against"].to_numpy(object) == "")]
    acts_ms = [int(at_ms) for table in (begun, refused, told) for at_ms in table["start_ms"]]
    return {
        "hours": ledger(counted, pack),
        "anchors": anchors(counted, pack, opened, tallied),
        "openings": opened,
        "blocked": refused,
        "cells": cells(counted, pack),
        "cold": cold(counted, pack),
        "counter": counter(counted, pack),
        "dead_band": dead_band(counted),
        "pauses": pauses(counted),
        "resets": resets(counted, pack),
        "sights": sights(counted, acts_ms),
        "spells": spells(counted, pack, opened),
        "status": words,
        "steps": steps(counted, pack),
        "tally": hourly(counted, tallied),
    }
