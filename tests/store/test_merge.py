from __future__ import annotations

import numpy as np

from logbook.store.merge import combined, merge, resolutions
from logbook.store.samples import MISSING, Samples

ONES = np.ones(4, np.int64)


def samples(*rows: tuple[int, list[int | None]], import_id: int = 1) -> Samples:
    values = [[MISSING if value is None else value for value in row] for _time, row in rows]
    times = np.array([time for time, _row in rows], np.int64)
    stacked = np.array(values, np.int64).reshape(-1, 4).T
    return Samples(times, stacked, np.full(len(times), import_id, np.int64))


def test_each_incoming_sample_has_one_fate():
    stored = samples((1, [1, 1, 1, 1]), (2, [2, 2, None, 2]), (3, [3, 3, 3, 3]))
    incoming = samples((0, [9, 9, 9, 9]), (1, [1, 1, 1, 1]), (2, [2, 2, 7, 2]), (3, [3, 8, 3, 3]), import_id=2)

    found = merge(stored, incoming, ONES)

    assert found.new.ts_ms.tolist() == [0]
    assert found.shared.ts_ms.tolist() == [1, 2]
    assert found.completed.ts_ms.tolist() == [2]
    assert found.completed.values[:, 0].tolist() == [2, 2, 7, 2]
    assert found.completed.import_id.tolist() == [1]
    assert found.contradicting.ts_ms.tolist() == found.contradicted.ts_ms.tolist() == [3]
    assert found.result.ts_ms.tolist() == [0, 1, 2, 3]
    assert found.result.values[2].tolist() == [9, 1, 7, 3]


def test_a_contradiction_brings_none_of_its_other_values():
    stored, incoming = samples((1, [5, None, 1, 1])), samples((1, [6, 4, 1, 1]), import_id=2)

    found = merge(stored, incoming, ONES)

    assert len(found.contradicting) == 1
    assert len(found.completed) == 0
    assert found.result.values[:, 0].tolist() == [5, MISSING, 1, 1]


def test_differences_within_the_coarser_rounding_are_none():
    stored = samples(*((time, [13_240 + time, 0, 0, 0]) for time in range(40)))
    coarse = samples(*((time, [round((13_240 + time) / 100) * 100, 0, 0, 0]) for time in range(40)), import_id=2)

    found = merge(stored, coarse, resolutions(coarse.values))

    assert len(found.shared) == 40


def test_a_few_round_values_do_not_make_a_coarse_export():
    coarse = samples(*((time, [13_000, 0, 0, 0]) for time in range(5)))

    assert resolutions(coarse.values).tolist() == [1, 1, 1, 1]


def test_resolutions_are_found_by_quantity():
    rows = samples(*((time, [13_250 + 10 * time, 100 * time, 1000 * time, None]) for time in range(30)))

    assert resolutions(rows.values).tolist() == [10, 100, 1000, 1]


def test_values_far_apart_do_not_wrap_around():
    extreme = np.iinfo(np.int64).max // 2

    assert len(merge(samples((1, [extreme, 0, 0, 0])), samples((1, [-extreme, 0, 0, 0])), ONES).contradicting) == 1


def test_combining_takes_the_first_import_that_has_a_value():
    brought = Samples(
        np.array([1, 1, 1, 5], np.int64),
        np.array([[MISSING, 2, 3, 4], [MISSING, MISSING, 7, 4], [9, 8, 8, 4], [MISSING] * 4], np.int64),
        np.array([3, 4, 6, 5], np.int64),
    )

    result = combined(brought)

    assert result.ts_ms.tolist() == [1, 5]
    assert result.import_id.tolist() == [3, 5]
    assert result.values[:, 0].tolist() == [2, 7, 9, MISSING]


def test_nothing_combines_to_nothing():
    assert len(combined(samples())) == 0
    assert len(merge(samples(), samples(), ONES).result) == 0
