"""Figures hold the numbers of the answer, tested without a browser."""

from __future__ import annotations

import re
from dataclasses import replace
from importlib.resources import files

import pandas as pd
import plotly.offline
import pytest

from logbook.dashboard.figures.capacity import capacity_over_time
from logbook.dashboard.figures.cold import cold_events
from logbook.dashboard.figures.coverage import draw_unlogged, unlogged
from logbook.dashboard.figures.parked import LONGEST_DAYS, drain_lines, drains, usable_ah
from logbook.dashboard.figures.use import cycle_depths, monthly, monthly_charge
from logbook.dashboard.view import View
from logbook.schema.estimate import Estimate
from logbook.units import MS_PER_DAY, MS_PER_HOUR
from tests.dashboard import samples
from tests.dashboard.samples import ms

BERLIN = View("Europe/Berlin")


def trace(figure, name):
    return next(item for item in figure.data if item.name == name)


def test_every_observation_is_drawn_with_its_interval():
    figure = capacity_over_time(samples.full(), BERLIN)
    used = trace(figure, "used")
    expected = [item for item in samples.OBSERVATIONS if item.used]

    assert list(used.y) == [item.ah for item in expected]
    assert list(used.error_y.array) == pytest.approx([item.high - item.ah for item in expected])
    assert list(used.error_y.arrayminus) == pytest.approx([item.ah - item.low for item in expected])


def test_an_observation_left_out_differs_by_shape_and_not_colour_alone():
    figure = capacity_over_time(samples.full(), BERLIN)

    assert trace(figure, "left out").marker.symbol != trace(figure, "used").marker.symbol
    assert "Cold" in trace(figure, "left out").text[0]


def test_what_was_left_out_does_not_press_the_rest_into_a_line():
    """An observation that is unsure beyond measure keeps its place, and its bar leaves the picture."""
    full = samples.full()
    wild = [item if item.used else replace(item, low=-1500.0, high=1700.0) for item in full.capacity.observations]

    figure = capacity_over_time(replace(full, capacity=replace(full.capacity, observations=tuple(wild))), BERLIN)

    assert figure.layout.yaxis.range[1] < 2 * full.pack.rated_ah
    assert len(trace(figure, "left out").y) == sum(not item.used for item in wild)


def test_rated_and_end_of_life_lines_are_drawn():
    figure = capacity_over_time(samples.full(), BERLIN)

    assert {shape.y0 for shape in figure.layout.shapes} == {100.0, 80.0}
    assert {"rated 100\u00a0Ah", "end of life, 80 % of rated"} <= {note.text for note in figure.layout.annotations}


def test_the_answer_ends_at_the_last_reading_with_its_interval():
    figure = capacity_over_time(samples.full(), BERLIN)

    assert (trace(figure, "low").y[-1], trace(figure, "answer").y[-1], trace(figure, "high").y[-1]) == (
        88.2,
        90.1,
        92.0,
    )
    assert trace(figure, "answer").x[-1] == "2026-09-30T20:30:00"


def test_a_sudden_loss_is_marked_and_the_answer_not_drawn_across_it():
    figure = capacity_over_time(samples.dropped(), BERLIN)

    assert any("sudden loss" in note.text for note in figure.layout.annotations)
    assert trace(figure, "answer").x[0] == BERLIN.wall(samples.dropped().fade.sudden_losses[0].time_ms)


@pytest.mark.parametrize("make", [samples.nothing, samples.one_reading, samples.bound])
def test_a_figure_without_data_is_still_a_figure(make):
    assert not trace(capacity_over_time(make(), BERLIN), "used").y
    assert not trace(cold_events(make(), BERLIN), "severe").y


def test_times_are_wall_clock_without_offset():
    """Plotly shifts numbers by the browser's zone and drops offsets from text."""
    for figure in (capacity_over_time(samples.full(), BERLIN), cold_events(samples.full(), BERLIN)):
        for item in figure.data:
            for x in item.x:
                assert x is None or re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d", x)


def test_events_hang_from_the_limit_down_to_their_coldest_reading():
    figure = cold_events(samples.full(), BERLIN)

    assert list(trace(figure, "depth").y[:2]) == [0.0, samples.EVENTS[0].min_temperature_c]
    assert list(trace(figure, "severe").y) == [-11.2]
    assert len({trace(figure, name).marker.symbol for name in ("slight", "marked", "severe")}) == 3


def test_temperatures_can_be_drawn_in_fahrenheit():
    figure = cold_events(samples.full(), View("UTC", fahrenheit=True))

    assert "(°F)" in figure.layout.yaxis.title.text
    assert trace(figure, "severe").y[0] == pytest.approx(11.84)  # -11.2 °C by definition of the scales
    assert figure.layout.shapes[0].y0 == pytest.approx(32.0)


def test_the_vendored_chart_library_is_the_one_the_charts_are_written_for():
    head = files("logbook.dashboard").joinpath("assets/plotly-cartesian.min.js").read_text("utf-8")[:200]

    assert f"v{plotly.offline.get_plotlyjs_version()}" in head


def test_what_was_not_logged_is_shaded_from_the_last_logged_hour_to_the_next():
    start = ms("2026-02-01T00:00")
    hours = pd.DataFrame(
        {"start_ms": [start, start + MS_PER_HOUR, start + 4 * MS_PER_DAY], "logged_s": [3600.0, 60.0, 9.0]}
    )
    figure = capacity_over_time(samples.full(), BERLIN)
    draw_unlogged(figure, unlogged(hours), BERLIN)

    assert unlogged(hours) == [(start + 2 * MS_PER_HOUR, start + 4 * MS_PER_DAY)]
    assert trace(figure, "not logged").x[:4] == (
        "2026-02-01T03:00:00", "2026-02-01T03:00:00", "2026-02-05T01:00:00", "2026-02-05T01:00:00"
    )  # fmt: skip


def test_a_pause_of_hours_and_an_empty_digest_shade_nothing():
    start = ms("2026-02-01T00:00")
    hours = pd.DataFrame({"start_ms": [start, start + 6 * MS_PER_HOUR], "logged_s": [3600.0, 3600.0]})

    assert unlogged(hours) == []
    assert unlogged(pd.DataFrame()) == []


def test_parked_lines_reach_the_fifth_when_the_losses_say_so():
    """90.1 Ah down to a fifth at 0.11 A and 2.8 % of 100 Ah in 30 days: 72.08 / (2.64 + 0.0933) = 26.4 days."""
    as_it_is, off = drains(samples.full())

    assert as_it_is.days(usable_ah(samples.full()), 0.2 * 90.1)[0] == pytest.approx(26.4, abs=0.15)
    assert off.days(90.1, 18.02)[0] == LONGEST_DAYS
    health = samples.full()
    idle = replace(health.idle, days_full_to_fifth=Estimate(20.0, 15.0, 30.0), self_discharge_percent_per_month=None)
    (together,) = drains(replace(health, idle=idle))
    assert together.days(90.1, 18.02) == pytest.approx((20.0, 15.0, 30.0))
    figure = drain_lines(samples.full())
    assert trace(figure, "left as it is").y[0] == pytest.approx(90.1)
    assert {"left as it is", "all loads off"} <= {item.name for item in figure.data}


def test_cycles_and_months_are_drawn_as_counted():
    assert list(trace(cycle_depths(samples.full()), "cycles").y) == [41, 33, 22.5, 18, 14, 9, 6.5, 4, 3, 2]
    hours = pd.DataFrame(
        {
            "start_ms": [ms("2026-01-31T22:30"), ms("2026-01-31T23:30"), ms("2026-02-10T00:00")],
            "charge_ah": [1.0, 2.0, 3.0],
            "discharge_ah": [0.0, 5.0, 0.0],
            "logged_s": [3600.0, 3600.0, 3600.0],
        }
    )
    months = monthly(hours, BERLIN)  # 23:30 UTC on 31 January is February in Berlin

    assert months["charge_ah"].tolist() == [1.0, 5.0]
    figure = monthly_charge(months)
    assert list(trace(figure, "out").y) == [0.0, -5.0]
    assert trace(figure, "in").marker.pattern.shape != trace(figure, "out").marker.pattern.shape


def test_a_bar_stays_in_its_month_beside_months_without_readings():
    months = pd.DataFrame({"month": ["2024-02-01", "2024-12-01"], "charge_ah": [1.0, 2.0], "discharge_ah": [1.0, 2.0]})

    for name in ("in", "out"):
        bars = trace(monthly_charge(months), name)
        ends = [first + width for first, width in zip(bars.offset, bars.width, strict=True)]

        assert min(bars.offset) > 0
        assert ends == pytest.approx([0.9 * 29 * MS_PER_DAY, 0.9 * 31 * MS_PER_DAY])


@pytest.mark.parametrize(("more", "side"), [(0.0, "bottom"), (20.0, "top")])
def test_the_words_of_the_rated_line_stand_where_the_measurements_are_not(more, side):
    health = samples.full()
    moved = tuple(replace(item, ah=item.ah + more) for item in health.capacity.observations)
    figure = capacity_over_time(replace(health, capacity=replace(health.capacity, observations=moved)), View())

    assert [note.yanchor for note in figure.layout.annotations if note.text.startswith("rated")] == [side]
