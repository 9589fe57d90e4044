from __future__ import annotations

from tests.cli.test_imports import bring, export


def test_a_rebuild_gives_the_same_answer(house, tmp_path):
    bring(house, export(tmp_path / "trip.csv"))
    before = house("health", "--json").out

    rebuilt = house("rebuild")

    assert rebuilt.code == 0
    assert 'Rebuilt "House battery".' in rebuilt.err
    assert house("health", "--json").out == before
