"""A current whose sign turns over inside a file: right, empty, or told with its lines; never turned silently."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from logbook.errors import Unanswered
from logbook.ingest import ImportOptions, read_export
from logbook.ingest.turn import stretches
from tests.ingest.trip import Trip, lines, text, trip

OPTIONS = ImportOptions(time_zone="UTC", cells_in_series=4, rated_ah=100.0)


def used(rows: int = 900, quiet: tuple[int, int] = (0, 0), quiet_a: float = -0.3) -> Trip:
    """A fridge every twenty minutes and a charger by day; in the quiet rows a small load that moves nothing."""
    row = np.arange(rows)
    current = np.where(row % 20 < 7, -5.0, -0.6) + np.where(row % 300 > 200, 14.0, 0.0)
    still = (row >= quiet[0]) & (row < quiet[1])
    current = np.where(still, quiet_a, current)
    soc = 60.0 + np.concatenate([[0.0], np.cumsum(current[:-1])]) / 60.0
    volts = np.where(still, 13.19, np.round(13.2 + 0.01 * current, 2))
    return trip(rows).with_(current_a=current, voltage_v=volts, soc_percent=np.where(still, np.nan, np.round(soc)))


def turned(t: Trip, *rows: int) -> Trip:
    signs = np.where(np.searchsorted(rows, np.arange(len(t)), side="right") % 2, -1.0, 1.0)
    return t.with_(current_a=t.current_a * signs + 0.0)


def read(tmp_path, t: Trip, options: ImportOptions = OPTIONS):
    path = tmp_path / "trip.csv"
    path.write_text(text(lines(t)))
    return read_export(path, options)


def named(recording) -> np.ndarray:
    """Lines that the receipt names in words as of unsure sign."""
    said = [
        *recording.receipt.warnings,
        *(entry.answer for entry in recording.receipt.inferences if entry.question == "sign of the current"),
        *(entry.evidence.partition("speak against it")[2] for entry in recording.receipt.inferences),
    ]
    parts = [re.findall(r"lines (\d+) to (\d+)", sentence) for sentence in said]
    return np.concatenate([np.empty(0, int), *(np.arange(int(a), int(b) + 1) for part in parts for a, b in part)])


def wrong(recording, t: Trip) -> np.ndarray:
    """Lines whose stored current has the other sign."""
    return recording.lines[np.sign(recording.readings.current_a) * np.sign(t.current_a) < 0]


@pytest.mark.parametrize("row", [430, 470, 520])
def test_where_nothing_tells_which_way_counts_the_current_stays_empty_and_its_lines_are_told(row: int, tmp_path):
    t = used(quiet=(420, 540))
    zero = np.arange(900) == 480
    t = t.with_(current_a=np.where(zero, 0.0, t.current_a))

    recording = read(tmp_path, turned(t, row))

    current = recording.readings.current_a
    empty = np.isnan(current)
    np.testing.assert_array_equal(current[~empty], t.current_a[~empty])
    assert empty[421:480].all()
    assert current[480] == 0.0
    assert empty.sum() <= 150
    (told,) = [entry for entry in recording.receipt.repairs if entry.kind == "sign not known"]
    assert told.count == empty.sum()
    assert set(recording.lines[empty]) <= set(named(recording))
    assert any("split the file at that row" in warning for warning in recording.receipt.warnings)


def test_a_gap_is_no_proof_that_the_sign_turned_over_in_it(tmp_path):
    """The link was lost half an hour after the monitor was set anew, while nothing moved."""
    t = used(quiet=(420, 540))
    there = (np.arange(900) < 480) | (np.arange(900) > 500)
    t = turned(t, 450).take(there)

    recording = read(tmp_path, t)

    truth = used(quiet=(420, 540)).take(there)
    current = recording.readings.current_a
    empty = np.isnan(current)
    np.testing.assert_array_equal(current[~empty], truth.current_a[~empty])


def test_a_sign_that_turns_over_and_back_is_turned_between(tmp_path):
    t = used()

    recording = read(tmp_path, turned(t, 330, 585))

    current = recording.readings.current_a
    there = np.isfinite(current)
    np.testing.assert_array_equal(current[there], t.current_a[there])
    assert there.sum() > 850
    (found,) = [entry for entry in recording.receipt.inferences if entry.answer.startswith("turns over")]
    assert found.answer.count(",") == 1


def test_a_short_stretch_that_speaks_against_the_rest_is_told(tmp_path):
    """Turned over and back within an hour: too few votes to turn it, too many to say nothing."""
    t = used()

    recording = read(tmp_path, turned(t, 405, 445))
    as_it_was = read(tmp_path, t)

    assert len(wrong(recording, t))
    assert set(wrong(recording, t)) <= set(named(recording))
    assert not as_it_was.receipt.warnings
    assert not len(named(as_it_was))


def test_a_constant_charge_that_is_mirrored_and_mirrored_back_is_told(tmp_path):
    """No step and no percentage within; 46 A more would have moved the voltage by tenths."""
    t = used(600)
    charge = (np.arange(600) >= 300) & (np.arange(600) < 360)
    t = t.with_(
        current_a=np.where(charge, 23.0, t.current_a),
        voltage_v=np.where(charge, 13.43, t.voltage_v),
        soc_percent=np.full(600, np.nan),
    )

    recording = read(tmp_path, turned(t, 320, 340))

    assert len(wrong(recording, t))
    assert set(wrong(recording, t)) <= set(named(recording))
    assert not len(named(read(tmp_path, t)))


def test_a_taper_is_not_taken_for_a_turn(tmp_path):
    """While the charger holds the voltage the current falls and the voltage creeps up, twenty times over."""
    t = used(900).with_(soc_percent=np.full(900, np.nan))
    row = np.arange(900)
    held = (row >= 850) & (row < 890)
    taper = np.round(60.0 * 0.93 ** (row - 850.0).clip(0), 1)
    creep = np.round(14.0 + 0.012 * (row - 850.0), 2)
    t = t.with_(current_a=np.where(held, taper, t.current_a), voltage_v=np.where(held, creep, t.voltage_v))

    recording = read(tmp_path, t)

    np.testing.assert_array_equal(recording.readings.current_a, t.current_a)
    assert not any(entry.answer.startswith("turns over") for entry in recording.receipt.inferences)


def test_a_quiet_end_that_passes_through_zero_is_told(tmp_path):
    """A small load of a parked pack shows nothing for the last hour; turned over or not, the receipt says where."""
    t = used(600, quiet=(540, 600))
    t = t.with_(current_a=np.where(np.arange(600) == 560, 0.0, t.current_a))

    recording = read(tmp_path, turned(t, 560))

    (told,) = [entry for entry in recording.receipt.inferences if entry.question == "where the sign shows"]
    first, last = told.shown.listed[-1].first_line, told.shown.listed[-1].last_line
    assert len(wrong(recording, t))
    assert first <= wrong(recording, t).min()
    assert last == 601


def test_what_is_asked_after_a_turn_says_for_which_lines(tmp_path):
    """Words of the header contradict the readings: the answer is about the longest part, which the question names."""
    t = used()
    path = tmp_path / "trip.csv"
    header = "timestamp,voltage_v,Current (discharge +),temperature_c,soc_percent"
    path.write_text(text(lines(turned(t, 600), header=header)))
    asked = []

    def ask(question):
        asked.append(question.text)
        return "charge"

    with pytest.raises(Unanswered):
        read_export(path, OPTIONS)
    recording = read_export(path, OPTIONS, ask=ask)

    (question,) = asked
    assert re.search(r"discharge the pack in lines 2 to (59|60)\d", question)
    current = recording.readings.current_a
    there = np.isfinite(current)
    np.testing.assert_array_equal(current[there], t.current_a[there])


def test_stretches_are_where_they_explain_the_votes_best():
    def cuts(votes: str, costs: int) -> list[int]:
        return stretches(np.array([1.0 if vote == "+" else -1.0 for vote in votes]), costs)

    assert cuts("+" * 9 + "-" * 9, 4) == [9]
    assert cuts("+" * 9 + "-" * 9 + "+" * 9, 4) == [9, 18]
    assert cuts("+" * 9 + "-" * 8 + "+" * 9, 4) == []
    assert cuts("+" * 9 + "-" * 4, 4) == []
    assert cuts("-" * 5 + "+" * 9, 4) == [5]
    assert cuts("+" * 9 + "-+-" * 4 + "-" * 6, 4) == [9]
    assert cuts("", 4) == cuts("+" * 5, 4) == []


def test_an_answer_that_is_thin_says_what_it_is_taken_for(tmp_path):
    t = used(300).with_(voltage_v=np.full(300, 13.2), soc_percent=np.full(300, 70.0))

    recording = read(tmp_path, t, replace(OPTIONS, positive="charge"))

    (told,) = [entry for entry in recording.receipt.inferences if entry.question == "where the sign shows"]
    assert told.answer == "nowhere; taken to be the same throughout"
    assert [(part.first_line, part.last_line) for part in told.shown.listed] == [(2, 301)]


def unsigned(t: Trip) -> Trip:
    return t.with_(current_a=np.abs(t.current_a))


def test_a_current_without_signs_that_goes_both_ways_is_refused_with_ways_out(tmp_path):
    with pytest.raises(Unanswered, match="no sign and no column tells") as refused:
        read(tmp_path, unsigned(used()))

    assert "--positive charge" in refused.value.mend
    assert "Ah counter" in refused.value.mend


@pytest.mark.parametrize("seed", range(3))
def test_a_coarse_percentage_gives_no_row_a_direction(seed: int, tmp_path):
    """Between two whole percents a load may have come and gone."""
    t = used()
    noise = np.random.default_rng(seed).normal(0, 0.1, 900)

    with pytest.raises(Unanswered, match="no sign and no column tells"):
        read(tmp_path, unsigned(t.with_(current_a=np.round(t.current_a + noise, 1))))


def test_what_is_declared_one_way_is_empty_where_the_readings_speak_against_it(tmp_path):
    """All discharge, its owner says, yet the percentage rises with it whenever the charger runs."""
    t = used()

    recording = read(tmp_path, unsigned(t), replace(OPTIONS, positive="discharge"))

    current = recording.readings.current_a
    there = np.isfinite(current)
    np.testing.assert_array_equal(current[there], t.current_a[there])
    assert 0.5 < there.mean() < 0.75
    (empty,) = [entry for entry in recording.receipt.repairs if entry.kind == "direction against readings"]
    assert empty.count == (~there).sum()
    assert any("all of it is discharge, but" in warning for warning in recording.receipt.warnings)


def test_what_only_discharges_needs_no_sign(tmp_path):
    t = used(300).with_(current_a=np.where(np.arange(300) % 20 < 7, -5.0, -0.6))
    soc = 90.0 - np.cumsum(-t.current_a) / 60.0
    t = t.with_(soc_percent=np.round(soc), voltage_v=np.round(13.2 + 0.01 * t.current_a, 2))

    recording = read(tmp_path, unsigned(t))

    np.testing.assert_array_equal(recording.readings.current_a, t.current_a)
    assert not recording.receipt.warnings


def at_the_top(rows: int = 21_600) -> Trip:
    """Readings a second apart: a charge to the top, and after its end minutes in which a small load draws while the voltage stays up."""
    rng = np.random.default_rng(3)
    row = np.arange(rows)
    phase = row % 7200
    charge = np.clip(20.0 - phase / 250.0, -0.6, None)
    current = np.where(phase < 5400, charge, -6.0 - 3.0 * (row // 400 % 2))
    volts = np.where((phase > 2400) & (phase < 5400), 14.3, 13.2) + 0.01 * current + rng.normal(0, 0.004, rows)
    soc = 90.0 + np.concatenate([[0.0], np.cumsum(current[:-1])]) / 3600.0
    return Trip(
        np.datetime64("2024-03-15T06:00:00", "ms").astype(np.int64) + 1000 * row,
        np.round(volts, 3),
        np.round(current + rng.normal(0, 0.03, rows), 2),
        np.full(rows, 18.0) + np.round(rng.normal(0, 0.1, rows), 1),
        np.round(np.clip(soc, 0, 100), 1),
    )


def test_a_load_that_draws_while_the_voltage_is_still_up_is_no_turn(tmp_path):
    t = at_the_top()

    recording = read(tmp_path, t)

    assert not [entry for entry in recording.receipt.inferences if entry.question == "sign of the current"]
    assert recording.receipt.repairs == ()
    np.testing.assert_allclose(recording.readings.current_a, t.current_a, atol=0.051)


def test_the_steps_of_a_taper_alone_do_not_tell_the_sign(tmp_path):
    """A charger holds the cells high: the current falls in steps while the voltage creeps up, so each speaks against it."""
    row = np.arange(240)
    t = trip(240).with_(
        current_a=np.round(np.maximum(40.0 - 4.0 * (row // 20), 2.0), 1),
        voltage_v=np.round(13.72 + 0.01 * (row // 20), 2),
        soc_percent=np.full(240, np.nan),
    )

    with pytest.raises(Unanswered, match="charge or discharge"):
        read(tmp_path, t)
