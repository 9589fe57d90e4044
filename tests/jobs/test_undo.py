from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logbook.jobs.era import Era, within
from logbook.jobs.health import health
from logbook.jobs.refresh import rebuild, refresh
from logbook.jobs.undo import undo
from logbook.schema.receipt import SetAside
from logbook.store import add_note, add_pack, commit_import, list_imports, originals, stale_ranges
from tests.simulator import SCENARIOS, simulate
from tests.store.recordings import DAY_MS, HOUR_MS, START_MS, content, drawn, readings_at, recording_of

QUANTITIES = ("voltage_v", "current_a", "temperature_c", "soc_percent")


@pytest.fixture(scope="module")
def fortnight():
    """Two weeks of travelling with one reading a minute."""
    (simulated,) = simulate(replace(SCENARIOS["fulltime_worn"], days=14, dt_s=60.0), [4])
    return simulated.readings


exports = st.tuples(
    st.integers(0, 1),
    st.integers(0, 13 * 24),
    st.integers(1, 6 * 24),
    st.sets(st.sampled_from(QUANTITIES), min_size=1),
    st.booleans(),
    st.booleans(),
    st.sampled_from([None, (2, 9), (None, 6), (7, None)]),
)
"""Pack, first hour, hours, quantities, whether rows contradict the truth, whether it has more columns, and the era."""


def exported(truth, name: str, export):
    """One export, None where its era holds nothing."""
    _pack, first_h, hours, quantities, contradicts, more, era = export
    start = int(truth.ts_ms[0])
    rows = (truth.ts_ms >= start + first_h * HOUR_MS) & (truth.ts_ms < start + (first_h + hours) * HOUR_MS)
    values = {quantity: getattr(truth, quantity)[rows] for quantity in quantities}
    if contradicts:
        values = {
            quantity: column + np.where(np.arange(len(column)) % 5, 0.0, 1.0) for quantity, column in values.items()
        }
    count = int(rows.sum())
    side = {}
    if more:
        words = np.array(["on", "off"], object)[np.arange(count) // 7 % 2]
        side = {"cells_v": np.full((count, 2), 3.3), "counters": {"used_ah": np.arange(float(count))}, "status": words}
    aside = (SetAside(3, "torn", "1;2"),) if more else ()
    recording = recording_of(readings_at(truth.ts_ms[rows], **values), name, set_aside=aside, **side)
    if era is None:
        return recording if count else None
    bounds = Era(*(None if day is None else start + day * DAY_MS for day in era))
    inside = truth.ts_ms[rows]
    kept = (inside >= (bounds.start_ms or 0)) & (inside < (bounds.end_ms or 1 << 60))
    return within(recording, bounds) if kept.any() else None


def exact(store) -> dict[str, list[tuple]]:
    """Every row of every table but the findings, the counter of changes and that of numbers given."""
    return content(store, without=("hour", "finding"))


def findings(store) -> tuple[list[tuple], np.ndarray]:
    """Every row of the findings: what must be the same, and the numbers, whose last digits may differ."""
    tables = content(store)
    same: list[tuple] = []
    numbers: list[float] = []
    rows = list(tables["hour"])
    rows += [(*row[:4], *json.loads(row[4])) for row in tables["finding"]]
    for row in sorted(rows, key=repr):
        same.append(tuple(value if not isinstance(value, float) else "number" for value in row))
        numbers += [value for value in row if isinstance(value, float)]
    return same, np.array(numbers)


def assert_same_findings(found, expected) -> None:
    """Sums that begin elsewhere round differently in their last digits."""
    assert found[0] == expected[0]
    np.testing.assert_allclose(found[1], expected[1], rtol=1e-6, atol=1e-6)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(files=st.lists(exports, min_size=1, max_size=4), middle=st.integers(0, 3))
def test_an_undo_gives_back_every_row_of_every_table(new_store, fortnight, tmp_path_factory, files, middle):
    """Overlapping imports of two packs, some contradicting, some of an era: each is taken back once right away.

    In the end one from the middle is taken back, after which the findings are those of a rebuild.
    """
    store, folder = new_store(), tmp_path_factory.mktemp("files")
    packs = [add_pack(store, name=name, rated_ah=100, cells_in_series=4) for name in ("House", "Spare")]
    add_note(store, packs[0].id, START_MS, "cables changed")
    for number, export in enumerate(files):
        recording = exported(fortnight, f"{number}.csv", export)
        if recording is None:
            continue
        pack = packs[export[0]]
        path = folder / f"{number}.csv"
        path.write_bytes(f"{number}.csv".encode())
        before, made_before = exact(store), findings(store)

        taken = commit_import(store, pack, recording, path)
        refresh(store, pack)
        undo(store, taken.import_id)

        assert exact(store) == before
        assert_same_findings(findings(store), made_before)
        assert commit_import(store, pack, recording, path).import_id > taken.import_id
        refresh(store, pack)

    if imports := list_imports(store):
        undo(store, imports[middle % len(imports)].id)
    kept = exact(store), findings(store)
    for pack in packs:
        rebuild(store, pack)
    assert exact(store) == kept[0]
    assert_same_findings(findings(store), kept[1])
    assert all(originals.is_sound(store.originals_folder, row.sha256) for row in list_imports(store))
    store.close()


def test_after_an_undo_the_answer_is_the_former_one(store, pack, rng):
    readings = drawn(rng, 24 * 60)
    commit_import(store, pack, recording_of(readings.between(START_MS, START_MS + 12 * HOUR_MS), "a.csv"), None)
    before = health(store, pack)
    commit_import(store, pack, recording_of(readings, "b.csv"), None)
    assert health(store, pack) != before

    pack_id, start_ms, end_ms = undo(store, 2)

    assert (pack_id, start_ms) == (pack.id, START_MS + 12 * HOUR_MS)
    assert end_ms > start_ms
    assert stale_ranges(store, pack.id) == []
    assert health(store, pack) == before
