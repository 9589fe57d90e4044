"""The demo takes in everything the sample data holds, once, and its answers are those that were put in."""

from __future__ import annotations

from importlib.resources import files

import pytest

from logbook.jobs.demo import SAMPLE_DATA, demo_packs, load_demo
from logbook.jobs.health import health
from logbook.store import list_imports, open_store, reading_span

PUT_IN_AH = {"grey box": 80.6, "blue box": 101.7}
"""Capacity at the last reading, by sample_data/README.md: what the simulation was made with."""


@pytest.fixture(scope="module")
def loaded(tmp_path_factory):
    shares: list[float] = []
    with open_store(f"sqlite:///{tmp_path_factory.mktemp('demo')}/logbook.sqlite3") as store:
        packs = load_demo(store, shares.append)
        yield store, packs, shares


def test_every_sample_file_is_taken_in_by_one_pack():
    listed = [export.name for pack in demo_packs() for export in pack.files]
    there = [entry.name for entry in files(SAMPLE_DATA).iterdir() if entry.name.endswith(".csv.gz")]

    assert sorted(listed) == sorted(there)


def test_each_file_becomes_one_import(loaded):
    store, packs, _shares = loaded

    for pack, wanted in zip(packs, demo_packs(), strict=True):
        assert [row.file_name for row in list_imports(store, pack.id)] == [export.name for export in wanted.files]


def test_progress_goes_up_to_the_end(loaded):
    _store, _packs, shares = loaded

    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_loading_it_again_changes_nothing(loaded):
    store, packs, _shares = loaded
    before = [reading_span(store, pack.id) for pack in packs]

    again = load_demo(store)

    assert again == packs
    assert [reading_span(store, pack.id) for pack in packs] == before
    assert len(list_imports(store)) == sum(len(pack.files) for pack in demo_packs())


@pytest.mark.parametrize("name", PUT_IN_AH)
def test_the_capacity_that_was_put_in_comes_out(loaded, name):
    store, packs, _shares = loaded
    pack = next(pack for pack in packs if pack.name == name)

    found = health(store, pack).capacity.ah

    assert found is not None
    assert found.value == pytest.approx(PUT_IN_AH[name], abs=3.0), "3 % of the rated 100 Ah"
