from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from logbook.store import add_pack, models, read_findings, replace_findings
from logbook.store.findings import HOURS
from tests.store.recordings import HOUR_MS, START_MS, content


def hours_from(start_ms: int, count: int, **columns) -> pd.DataFrame:
    return pd.DataFrame({"start_ms": start_ms + HOUR_MS * np.arange(count), **columns})


def test_hours_come_back_with_every_column(store, pack):
    values = {name: np.arange(3.0) + index for index, name in enumerate(models.HOUR_COLUMNS)}
    frame = hours_from(START_MS, 3, **values)
    frame.loc[1, "min_temperature_c"] = np.nan

    replace_findings(store, pack.id, START_MS, START_MS + 3 * HOUR_MS, {HOURS: frame})

    pd.testing.assert_frame_equal(read_findings(store, pack.id)[HOURS], frame)


def test_a_column_that_is_empty_at_first_is_still_read_as_fractions(store, pack):
    """The driver fixes a column's type after its first rows, so a sensor that came later must not break it."""
    count = 70_000
    frame = hours_from(START_MS, count, min_temperature_c=np.r_[np.full(count - 1, np.nan), -0.5])

    replace_findings(store, pack.id, START_MS, START_MS + count * HOUR_MS, {HOURS: frame})

    found = read_findings(store, pack.id)[HOURS]["min_temperature_c"]
    assert found.iloc[-1] == -0.5
    assert found.iloc[:-1].isna().all()


def test_other_findings_come_back_with_the_same_columns_and_types(store, pack):
    frame = pd.DataFrame(
        {
            "start_ms": START_MS + np.array([0, 0, 5]),
            "end_ms": START_MS + np.array([1, 2, 6]),
            "ah": [1.5, np.nan, -2.0],
            "kind": ["full", "empty", None],
            "used": [True, False, True],
            "count": [1, 2, 3],
        }
    ).astype({"kind": "str"})

    replace_findings(store, pack.id, START_MS, START_MS + 10, {"anchors": frame})

    pd.testing.assert_frame_equal(read_findings(store, pack.id)["anchors"], frame)


def test_columns_of_plain_python_objects_get_their_types(store, pack):
    frame = pd.DataFrame({"start_ms": [START_MS], "ah": [1.5], "kind": ["full"], "gap": [None]}, dtype=object)

    replace_findings(store, pack.id, START_MS, START_MS + 1, {"anchors": frame})

    found = read_findings(store, pack.id)["anchors"]
    assert found.dtypes.astype(str).to_dict() == {"start_ms": "int64", "ah": "float64", "kind": "str", "gap": "float64"}


def test_a_kind_without_rows_leaves_no_trace(store, pack):
    empty = pd.DataFrame({"start_ms": np.array([], np.int64), "ah": np.array([], float)})

    replace_findings(store, pack.id, START_MS, START_MS + 1, {"cold": empty})

    assert "cold" not in read_findings(store, pack.id)
    assert content(store)["finding_kind"] == []


def test_fractions_that_are_all_missing_in_one_piece_are_fractions_all_the_same(store, pack):
    missing = pd.DataFrame({"start_ms": [START_MS], "ah": [np.nan]})

    replace_findings(store, pack.id, START_MS, START_MS + 1, {"cold": missing})

    assert content(store)["finding_kind"] == [(pack.id, "cold", {"ah": "float64"})]


def test_whole_numbers_give_way_to_fractions_and_a_column_without_values_to_both(store, pack):
    def given(at: int, value) -> None:
        frame = pd.DataFrame({"start_ms": [at], "ah": [value]})
        replace_findings(store, pack.id, at, at + 1, {"cold": frame})

    given(START_MS, None)
    given(START_MS + 1, 2)
    given(START_MS + 2, 2.5)

    np.testing.assert_array_equal(read_findings(store, pack.id)["cold"]["ah"], [np.nan, 2.0, 2.5])


def test_only_the_range_is_replaced(store, pack):
    old = pd.DataFrame({"start_ms": START_MS + HOUR_MS * np.arange(4), "charge_ah": 1.0})
    new = pd.DataFrame({"start_ms": [START_MS + HOUR_MS], "charge_ah": [2.0]})
    replace_findings(store, pack.id, START_MS, START_MS + 4 * HOUR_MS, {HOURS: old, "cold": old})

    replace_findings(store, pack.id, START_MS + HOUR_MS, START_MS + 3 * HOUR_MS, {HOURS: new, "cold": new})

    for kind in (HOURS, "cold"):
        found = read_findings(store, pack.id)[kind]
        assert found["start_ms"].tolist() == [START_MS, START_MS + HOUR_MS, START_MS + 3 * HOUR_MS]
        assert found["charge_ah"].tolist() == [1.0, 2.0, 1.0]


def test_a_kind_that_is_not_given_loses_what_it_had_in_the_range(store, pack):
    frame = pd.DataFrame({"start_ms": [START_MS], "ah": [1.0]})
    replace_findings(store, pack.id, START_MS, START_MS + 1, {"cold": frame})

    replace_findings(store, pack.id, START_MS, START_MS + 1, {})

    assert "cold" not in read_findings(store, pack.id)


def test_findings_outside_the_range_are_refused_and_nothing_changes(store, pack):
    frame = pd.DataFrame({"start_ms": [START_MS], "ah": [1.0]})

    with pytest.raises(ValueError, match="outside the range"):
        replace_findings(store, pack.id, START_MS + 1, START_MS + 2, {"cold": frame})

    assert "cold" not in read_findings(store, pack.id)


def test_an_unknown_column_of_hours_is_refused(store, pack):
    with pytest.raises(ValueError, match="no column mood"):
        replace_findings(store, pack.id, START_MS, START_MS + HOUR_MS, {HOURS: hours_from(START_MS, 1, mood=1.0)})


def test_findings_of_another_pack_are_left_alone(store, pack):
    other = add_pack(store, name="Spare", rated_ah=50, cells_in_series=4)
    frame = pd.DataFrame({"start_ms": [START_MS], "ah": [1.0]})
    replace_findings(store, other.id, START_MS, START_MS + 1, {"cold": frame})

    replace_findings(store, pack.id, 0, 2 * START_MS, {})

    assert len(read_findings(store, other.id)["cold"]) == 1


def test_findings_whose_kind_was_forgotten_do_not_stand_in_the_way_of_new_ones(store, pack):
    """As after damage to the name of a kind."""
    frame = hours_from(START_MS, 3, net_ah=[1.0, 2.0, 3.0])
    replace_findings(store, pack.id, START_MS, START_MS + 3 * HOUR_MS, {"spells": frame})
    with store.writing() as connection:
        connection.exec_driver_sql("DELETE FROM finding_kind")

    replace_findings(store, pack.id, START_MS, START_MS + 3 * HOUR_MS, {"spells": frame})

    pd.testing.assert_frame_equal(read_findings(store, pack.id)["spells"], frame)
