"""Cells: which cell leads at the two ends, and nothing from the plateau between."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logbook.analysis.answer import answer
from logbook.analysis.cells import cells
from logbook.analysis.digest import digest
from logbook.analysis.track import track
from tests.analysis.timeline import JAHN2024_CELL_V, JAHN2024_SOC, PACK, frozen, readings_of


def voltage_of(soc):
    """Jahn et al. 2024 (see `timeline`), carried on by 40 mV a percent beyond its ends, as absorption and cut-off do."""
    beyond = 4.0 * (np.maximum(soc - 1.0, 0.0) + np.minimum(soc, 0.0))
    return np.interp(soc, JAHN2024_SOC, JAHN2024_CELL_V) + beyond


def days(ahead=(0.0, 0.0, 0.0, 0.0), size=(1.0, 1.0, 1.0, 1.0), count: int = 4, low: float = 0.005):
    """Each day down to nearly empty and up to full; `ahead` is charge a cell has more, `size` what it holds, of the others."""
    level = np.interp(np.arange(1440), [0, 700, 1439], [1.01, low, 1.01])
    level = np.tile(level, count)
    cells_v = np.column_stack(
        [voltage_of(1.0 - (1.0 - level) / part + more) for more, part in zip(ahead, size, strict=True)]
    )
    readings = readings_of(np.full(len(level), -5.0), voltage_v=cells_v.sum(axis=1))
    return frozen(replace(readings, cells_v=np.round(cells_v, 3)))


def found(readings):
    return answer(digest(readings, PACK), PACK).cells


def test_a_cell_that_is_ahead_leads_at_full_and_another_at_empty():
    told = found(days(ahead=(0.0, 0.02, 0.0, -0.02)))

    assert told.first_full_cell == 2
    assert told.first_empty_cell == 4
    assert told.spread_full_v.value > 0.05
    assert (told.days_full, told.days_empty) == (4, 4)


def test_a_cell_that_holds_less_leads_at_both_ends():
    """It is full with the others, for the charge ends by it, and empty long before them."""
    told = found(days(ahead=(0.0, 0.0, 0.004, 0.0), size=(1.0, 1.0, 0.93, 1.0), low=0.07))

    assert told.first_full_cell == told.first_empty_cell == 3


def test_the_plateau_says_nothing():
    level = np.full(1440, 0.5)
    cells_v = np.column_stack([voltage_of(level + shift) for shift in (0.0, 0.1, -0.1, 0.05)])
    readings = frozen(replace(readings_of(np.full(1440, -5.0)), cells_v=cells_v))

    assert cells(track(readings), PACK).empty
    assert found(readings).reason is not None


def test_one_day_is_not_enough_to_name_a_cell():
    told = found(days(ahead=(0.0, 0.02, 0.0, -0.02), count=1).taken(slice(0, 1000)))

    assert told.spread_empty_v is None
    assert told.first_empty_cell is None


def test_a_heavy_load_is_not_looked_at():
    heavy = replace(days(ahead=(0.0, 0.02, 0.0, -0.02)), current_a=np.full(5760, -80.0))

    assert cells(track(frozen(heavy)), PACK).empty


def test_without_cell_voltages_it_says_so():
    assert "Cell voltages" in found(readings_of([1.0] * 60)).reason


def test_the_lowest_cell_proves_a_cut_off_that_the_pack_s_voltage_hides():
    """Three cells at 3.25 V and one at 2.6 V: 12.35 V at the terminals, and the board opens."""
    volts = np.append(np.full(120, 12.35), np.full(60, 0.0))
    cells_v = np.where(volts[:, None] > 0, np.array([3.25, 3.25, 3.25, 2.6]), 0.0)
    amps = np.append(np.full(120, -10.0), np.zeros(60))
    told = readings_of(amps, voltage_v=volts)

    blind = digest(told, PACK)["openings"]["kind"].iloc[0]
    seen = digest(frozen(replace(told, cells_v=cells_v)), PACK)["openings"]["kind"].iloc[0]

    assert blind != "under_voltage"
    assert seen == "under_voltage"
