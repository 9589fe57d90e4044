from __future__ import annotations

from dataclasses import replace

import pytest

from logbook.cli.report import CAUTION, print_health, sections
from logbook.schema.estimate import Estimate
from tests.cli.healths import empty_health, full_health


def answers(health, zone="UTC"):
    return {section.question: " ".join(section.sentences) for section in sections(health, zone)}


def test_the_first_sentence_answers_whether_it_delivers_its_rated_amp_hours():
    first = sections(full_health(), "UTC")[0]

    assert first.sentences[0] == (
        "Yes. It delivers 97 Ah of its rated 100 Ah (90 % interval: 95 to 99 Ah). It meets its rating."
    )
    assert first.sentences[1] == "Rests on 1 of 2 measurements, the last on 30 Dec 2024."


@pytest.mark.parametrize(
    ("verdict", "start"), [("reduced", "Not quite."), ("end_of_life", "No."), ("undetermined", "Cannot tell yet")]
)
def test_each_verdict_begins_with_its_answer(verdict, start):
    health = full_health()
    health = replace(health, capacity=replace(health.capacity, verdict=verdict))

    assert sections(health, "UTC")[0].sentences[0].startswith(start)


def test_without_a_measurement_it_gives_the_bound_and_the_reason():
    health = full_health()
    capacity = replace(
        health.capacity, ah=None, verdict="undetermined", observations=(), at_least_ah=81.4, reason="Never seen empty."
    )

    sentences = sections(replace(health, capacity=capacity), "UTC")[0].sentences

    assert sentences[0].startswith("Cannot tell yet whether it delivers its rated 100 Ah.")
    assert sentences[0].endswith("It has delivered at least 81 Ah; how much more it holds is open.")
    assert sentences[1:] == ("Never seen empty.",)


def test_the_second_answer_is_cold_charging_with_its_worst_event_in_the_owners_time():
    second = sections(full_health(), "Europe/Berlin")[1]

    assert second.question == "Was it charged while freezing?"
    assert second.sentences[0].startswith("Yes, 2 times: 27 Ah went in while the cells were below 0 °C.")
    assert "1 severe, 1 slight" in second.sentences[0]
    assert second.sentences[1].startswith("The worst, on 30 Dec 2024, 11:00: 26.5 Ah in 60 min, at up to 31.0 A")


def test_no_cold_charging_is_claimed_for_the_logged_time_only():
    health = full_health()
    health = replace(health, cold_charging=replace(health.cold_charging, events=()))

    text = answers(health)["Was it charged while freezing?"]

    assert text.startswith("No. No charging below 0 °C was seen in the logged time.")
    assert "23 % of that time was not logged" in text


def test_no_evidence_about_cold_is_not_called_no_cold_charging():
    health = full_health()
    cold = replace(health.cold_charging, events=(), reason="The file has no temperature.")

    text = answers(replace(health, cold_charging=cold))["Was it charged while freezing?"]

    assert text == "Cannot tell. The file has no temperature."


def test_every_answer_that_cannot_be_given_says_so_with_its_reason():
    told = answers(empty_health())

    for question in ("How does it fade?", "What drains it while parked?", "Can the monitor be believed?"):
        assert told[question] == "Cannot tell. No reading is logged; import a file."
    assert told["How much was logged?"].startswith("Nothing yet.")


def test_acknowledged_flags_are_counted_and_not_repeated():
    text = answers(full_health())["What needs a look?"]

    assert text == "! 30 Dec 2024: Charged frozen. Warm it first. 1 flag you acknowledged before."


def test_the_date_of_end_of_life_is_a_range():
    assert "about 2031-05-01 (not before 2029-01-01, or later)" in answers(full_health())["How does it fade?"]


def test_openings_of_the_protection_board_are_counted_by_kind():
    text = answers(full_health(), "UTC")["Did the protection board open?"]

    assert text.startswith("Opened because a cell ran low: once, on 30 Dec 2024, 10:00.")


@pytest.mark.parametrize(
    ("offset", "words"),
    [
        (Estimate(0.04, 0.02, 0.06), "Every current reads 0.04 A (0.02 to 0.06 A) too high."),
        (Estimate(-0.04, -0.06, -0.02), "Every current reads 0.04 A (0.02 to 0.06 A) too low."),
        (
            Estimate(0.01, -0.02, 0.04),
            "Every current reads right as far as the log can tell, off by 0.01 A (-0.02 to 0.04 A).",
        ),
    ],
)
def test_the_monitor_is_said_to_read_high_or_low_only_where_the_interval_shows_it(offset, words):
    health = full_health()
    health = replace(health, monitor=replace(health.monitor, current_offset_a=offset))

    assert answers(health)["Can the monitor be believed?"].startswith(words)


def test_the_reported_charge_is_off_by_points_not_by_a_share():
    health = full_health()
    health = replace(health, monitor=replace(health.monitor, soc_error_percent=Estimate(7.0, 5.0, 9.0)))

    assert "reads 7 points (5 to 9 points) too high." in answers(health)["Can the monitor be believed?"]


def test_a_log_of_one_day_names_that_day_once():
    health = full_health()
    readings = replace(health.readings, last_ms=health.readings.first_ms)

    text = answers(replace(health, readings=readings), "UTC")["How much was logged?"]

    assert " to " not in text.split(".")[0]


def test_a_small_pack_is_rated_in_tenths():
    health = full_health()
    health = replace(
        health,
        pack=replace(health.pack, rated_ah=2.6, cells_in_series=1),
        capacity=replace(health.capacity, ah=Estimate(2.21, 2.18, 2.24), verdict="reduced"),
    )

    assert "2.21 Ah of its rated 2.6 Ah" in sections(health, "UTC")[0].sentences[0]


def test_the_cautions_close_the_report():
    last = sections(full_health(), "UTC")[-1]

    assert last.sentences == (CAUTION,)
    assert "below 0 °C" in CAUTION
    assert "licensed or competent person" in CAUTION


def test_a_small_cell_keeps_the_tenths_of_its_amp_hours(capsys):
    health = full_health()
    small = replace(health, pack=replace(health.pack, rated_ah=2.6, cells_in_series=1))
    small = replace(small, cycles=replace(small.cycles, charge_ah=0.5, discharge_ah=0.26))

    print_health(small, "UTC")

    assert ": 2.6 Ah LiFePO4, 1 cell in series" in capsys.readouterr().out
    assert "0.5 Ah and" in answers(small)["How hard was it used?"]


def test_the_fade_shows_tenths_as_the_dashboard_does():
    health = full_health()
    health = replace(health, fade=replace(health.fade, percent_of_rated_per_year=Estimate(2.86, 0.84, 4.92)))

    assert "It loses 2.9 % (0.8 to 4.9 %) of its rated capacity a year." in answers(health)["How does it fade?"]


def test_how_long_a_full_pack_lasts_is_said():
    health = full_health()
    health = replace(health, idle=replace(health.idle, days_full_to_fifth=Estimate(75.0, 69.0, 82.0)))

    parked = answers(health)["What drains it while parked?"]
    assert "Left full as it was parked, it is down to 20 % after 75 days (69 to 82 days)." in parked


@pytest.mark.parametrize(
    ("logged", "unlogged", "said"),
    [
        (1000.0, 1.0, "Less than 1 % of that time was not logged"),
        (30.0, 70.0, "70 % of that time was not logged"),
        (0.0, 80.0, "None of that time counts as logged"),
        (10.0, 0.0, None),
    ],
)
def test_what_was_not_logged_is_said_without_contradiction(logged, unlogged, said):
    health = full_health()
    part = replace(health, readings=replace(health.readings, logged_hours=logged, unlogged_hours=unlogged))

    words = answers(part)["How much was logged?"]

    assert said in words if said else "of that time" not in words


def test_a_rating_is_told_as_it_was_given():
    health = full_health()
    rated = replace(health, pack=replace(health.pack, rated_ah=280.5))

    assert "of its rated 280.5 Ah" in sections(rated, "UTC")[0].sentences[0]


def test_one_point_is_no_points():
    health = full_health()
    off = replace(health.monitor, soc_error_percent=Estimate(1.1, -0.9, 3.1))

    assert "off by 1 point (-1 to 3 points)" in answers(replace(health, monitor=off))["Can the monitor be believed?"]


@pytest.mark.parametrize(("interval_s", "reminded"), [(1.0, False), (30.0, True), (None, False)])
def test_a_coarse_log_says_what_openings_it_may_have_missed(interval_s, reminded):
    health = full_health()
    coarse = replace(health, readings=replace(health.readings, interval_s=interval_s))
    quiet = replace(coarse, protection=replace(coarse.protection, events=()))

    for told in (coarse, quiet):
        words = answers(told)["Did the protection board open?"]
        assert ("within the 30 s between two readings" in words) is reminded


def test_a_flag_says_from_which_day_to_which():
    health = full_health()
    flag = health.flags[0]
    flags = (replace(flag, start_ms=0, end_ms=3_600_000), replace(flag, start_ms=0, end_ms=3 * 86_400_000))

    sentences = next(
        part for part in sections(replace(health, flags=flags), "UTC") if "look" in part.question
    ).sentences

    assert sentences[0][2:].startswith(f"1 Jan 1970: {flag.message}")
    assert sentences[1][2:].startswith(f"1 Jan 1970 to 4 Jan 1970: {flag.message}")


def test_without_a_current_no_use_is_told_as_none():
    health = empty_health()
    volts = replace(health, readings=replace(health.readings, count=3000, first_ms=0, last_ms=86_400_000))

    assert answers(volts)["How hard was it used?"] == "Cannot tell. No reading is logged; import a file."


def test_advice_that_was_given_before_is_not_given_again():
    health = full_health()
    flag = replace(health.flags[0], advice="Charge it full, then run it flat.")
    reasons = {"same": flag.advice, "other": "Never seen empty."}

    texts = {
        name: answers(replace(health, flags=(flag,), capacity=replace(health.capacity, reason=reason)))
        for name, reason in reasons.items()
    }

    assert flag.advice not in texts["same"]["What needs a look?"]
    assert flag.message in texts["same"]["What needs a look?"]
    assert flag.advice in texts["other"]["What needs a look?"]


def test_a_pack_without_readings_is_one_sentence_and_the_way_on(capsys):
    print_health(empty_health(), "UTC")

    lines = capsys.readouterr().out.strip().splitlines()
    assert lines[1:] == [
        "Nothing is logged for this pack yet. Take a file in:",
        f'  logbook import trip.csv --pack "{empty_health().pack.name}"',
    ]


@pytest.mark.parametrize(
    ("rise", "said"),
    [
        (Estimate(3.1, -0.6, 6.8), "It cannot be told yet whether it changes: between -1 and 7 % a year."),
        (Estimate(3.1, 1.1, 5.1), "It changes by 3 % (1 to 5 %) a year."),
    ],
)
def test_a_resistance_that_may_stand_still_is_not_called_changing(rise, said):
    health = full_health()
    health = replace(health, resistance=replace(health.resistance, percent_per_year=rise))

    assert said in answers(health)["What is its internal resistance?"]
