"""Delivered: how much went out after each full charge."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.analysis.answer import answer
from logbook.analysis.delivered import delivered, scatter_per_ah
from logbook.analysis.digest import digest
from logbook.analysis.spans import placed
from logbook.schema.reading import Readings
from tests.analysis.test_tally import kettle_and_fridge, thinned
from tests.analysis.timeline import PACK, Timeline, readings_of


def told(readings):
    tables = digest(readings, PACK)
    return delivered(placed(tables, PACK), tables["hours"], PACK)


def test_the_deepest_count_after_each_full_charge_is_told():
    log = Timeline(soc=0.8).charge_full().flow(-10.0, 3).flow(5.0, 2).charge_full().flow(-10.0, 5).rest(1)

    frame = told(log.readings())

    assert frame["out_ah"].tolist() == pytest.approx([30.0, 50.0], abs=0.6)


def test_a_pause_of_the_log_ends_what_can_be_said():
    log = Timeline(soc=0.8).charge_full().flow(-10.0, 3).pause(8, amps=-1.0).flow(-10.0, 3)

    assert told(log.readings())["out_ah"].tolist() == pytest.approx([30.0], abs=0.6)


def test_without_a_full_charge_nothing_is_told():
    assert told(Timeline(soc=0.7).flow(-5.0, 5).readings()).empty
    assert told(Timeline(soc=0.3).run_empty().flow(10.0, 3).readings()).empty
    assert told(Readings.empty()).empty


def test_scatter_is_shared_out_over_all_that_was_sampled_alike():
    """An hour in which the samples caught the kettle and one in which they missed it count as equally unsure."""
    missed, caught = [-4.0] * 12, [-4.0] * 6 + [-90.0] + [-4.0] * 5
    fine = readings_of(np.full(3600, -4.0), interval_s=1.0, start_ms=readings_of([0.0]).ts_ms[0] + 7_200_000)
    coarse = readings_of(missed + caught, interval_s=300.0)
    hours = digest(coarse, PACK)["hours"]
    both = np.concatenate([scatter_per_ah(hours), scatter_per_ah(digest(fine, PACK)["hours"])])

    assert hours["sampling_var_ah2"].iloc[0] < hours["sampling_var_ah2"].iloc[1]
    assert both[0] == both[1] > 0.01
    assert both[2] < 1e-4


@pytest.mark.parametrize("every", [5, 10, 15, 30])
def test_a_coarse_log_never_proves_more_than_the_pack_holds(every):
    """88 Ah, a kettle for three minutes at a time: most readings miss it, some catch it and count it for their whole interval."""
    fine = kettle_and_fridge()

    told = [
        answer(digest(thinned(fine.taken(slice(phase, None)), every, counter=False), PACK), PACK).capacity
        for phase in range(0, every, 2)
    ]

    assert all(capacity.at_least_ah is None or capacity.at_least_ah <= 88.0 for capacity in told)
    held = [capacity.ah.low <= 88.0 <= capacity.ah.high for capacity in told if capacity.ah is not None]
    assert sum(held) >= 0.8 * len(held)
