"""The readings of a window as a table: bounded however many there are, nothing skipped, gaps leapt over."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logbook.dashboard.answers import answers_of
from logbook.dashboard.pages.readings import TABLE_ROWS, first_readings, measured, readings_table
from logbook.dashboard.view import View
from logbook.ingest import ImportOptions
from logbook.jobs.import_files import import_file
from logbook.schema.reading import Readings
from logbook.store import add_pack, open_store
from logbook.units import MS_PER_DAY
from tests.dashboard.asking import text_of
from tests.dashboard.samples import ms

START = ms("2026-02-03T09:17")


@pytest.fixture
def answers(tmp_path):
    """A logbook with an hour at 1 s, a gap of 200 days, and an hour at 1 s."""
    rows = ["time,voltage (V),current (A),temperature (°C)"]
    for begin in (START, START + 200 * MS_PER_DAY):
        moments = np.datetime_as_string(np.arange(begin, begin + 3_600_000, 1000).astype("datetime64[ms]"), "s")
        rows += [
            f"{moment}Z,{13.2 - place % 5 / 100:.2f},{-(place % 5)}.0,12.5" for place, moment in enumerate(moments)
        ]
    (tmp_path / "trip.csv").write_text("\n".join(rows) + "\n")
    with open_store(f"sqlite:///{tmp_path}/logbook.sqlite3") as store:
        pack = add_pack(store, name="House", rated_ah=100, cells_in_series=4)
        import_file(store, tmp_path / "trip.csv", pack, ImportOptions(positive="charge"))
        yield answers_of(store)


def test_the_first_readings_come_page_by_page_and_none_is_skipped(answers):
    end, at, seen = START + 3_600_000, START, []
    while len(found := first_readings(answers, 1, at, end)):
        assert len(found) <= TABLE_ROWS
        seen += found.ts_ms.tolist()
        at = seen[-1] + 1

    assert seen == list(range(START, end, 1000))


def test_a_long_gap_is_leapt_over_with_few_questions(answers):
    asked = []

    def counted(pack_id, start, end):
        asked.append(end - start)
        return answers.readings(pack_id, start, end)

    found = first_readings(replace(answers, readings=counted), 1, START + 2 * 3_600_000, START + 300 * MS_PER_DAY)

    assert found.ts_ms[0] == START + 200 * MS_PER_DAY
    assert len(found) == TABLE_ROWS
    assert len(asked) <= 4
    assert max(asked) <= MS_PER_DAY


def test_a_window_without_readings_says_so(answers):
    found = first_readings(answers, 1, START + 10 * MS_PER_DAY, START + 20 * MS_PER_DAY)

    assert text_of(readings_table(found, View())) == "No more readings in this window."


def test_the_table_follows_zone_and_unit():
    one = Readings(np.array([START], np.int64), *(np.array([value]) for value in (13.25, -4.125, 10.0, np.nan)))

    words = text_of(readings_table(one, View("Europe/Berlin", fahrenheit=True)))

    assert "3 Feb 2026, 10:17:00 13.25 V −4.125 A 50 °F –" in words


@pytest.mark.parametrize(
    ("value", "text"), [(13.0, "13\u00a0V"), (13.25, "13.25\u00a0V"), (-0.0004, "0\u00a0V"), (float("nan"), "–")]
)
def test_a_value_has_the_decimals_it_was_logged_with(value, text):
    assert measured(value, "V", 3) == text
