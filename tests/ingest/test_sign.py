"""Which way the current flows is never turned silently: it comes out right, is left empty, or is asked about."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import logbook.ingest.current
from logbook.errors import Unanswered
from logbook.ingest import ImportOptions, read_export
from logbook.ingest.current import MOST_CODES
from tests.ingest.mixed import with_columns
from tests.ingest.trip import HEADER, Trip, lines, text, trip

OPTIONS = ImportOptions(time_zone="UTC", cells_in_series=4, rated_ah=100.0)


def turned(t: Trip, row: int) -> Trip:
    return t.with_(current_a=np.where(np.arange(len(t)) < row, t.current_a, -t.current_a) + 0.0)


def read(tmp_path, rows, options=OPTIONS):
    path = tmp_path / "trip.csv"
    path.write_text(text(rows))
    return read_export(path, options)


@pytest.mark.parametrize("row", range(120, 185, 4))
def test_no_row_keeps_the_other_sign_where_it_turns_over(row: int, tmp_path):
    t = trip()

    recording = read(tmp_path, lines(turned(t, row)))

    current = recording.readings.current_a
    empty = np.isnan(current)
    np.testing.assert_array_equal(current[~empty], t.current_a[~empty])
    assert empty.sum() <= 28
    counts = {entry.kind: entry.count for entry in recording.receipt.repairs}
    assert counts.get("sign not known", 0) == empty.sum()
    assert "sign turned over" in counts


def short(rows: int = 90) -> Trip:
    """Loads that come and go, with too few steps to prove that a sign turns over."""
    t = trip(rows, interval_s=10.0)
    current = np.where(np.arange(rows) // 6 % 2, -6.0, -1.0)
    nothing = np.full(rows, np.nan)
    return t.with_(current_a=current, voltage_v=np.round(13.2 + 0.01 * current, 2), soc_percent=nothing)


def test_votes_that_turn_over_once_are_asked_about(tmp_path):
    with pytest.raises(Unanswered, match=r"all of it goes the other way, as if the sign turned over"):
        read(tmp_path, lines(turned(short(), 22)))

    recording = read(tmp_path, lines(short()))
    assert [entry.answer for entry in recording.receipt.inferences if entry.question == "positive current"] == [
        "charge"
    ]


@pytest.mark.parametrize("words", [("bulk", "float", "fault"), ("Laden", "Ruhe", "OK"), ("charge", "repos", "alarme")])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_words_of_the_monitor_speak_where_nothing_else_does(words, sign: float, tmp_path):
    """A pack whose voltage and percentage stand still while a charger comes and goes, as a coarse display shows it."""
    t = trip(240)
    into = np.arange(240) // 8 % 2 > 0
    current = np.where(into, 2.0, 0.0)
    still = t.with_(current_a=sign * current + 0.0, voltage_v=np.full(240, 13.3), soc_percent=np.full(240, 80.0))

    def word(_trip: Trip, row: int) -> str:
        return words[0] if into[row] else words[1 + row // 100 % 2]

    recording = read(tmp_path, with_columns(still, f"{HEADER},status", word))

    np.testing.assert_array_equal(recording.readings.current_a, current)
    (evidence,) = [entry.evidence for entry in recording.receipt.inferences if entry.question == "positive current"]
    assert "status words" in evidence or "columns say so" in evidence


def test_words_that_are_no_flow_decide_nothing(tmp_path):
    t = trip(240)
    still = t.with_(
        current_a=np.where(np.arange(240) // 8 % 2, -2.0, 2.0),
        voltage_v=np.full(240, 13.3),
        soc_percent=np.full(240, 80.0),
    )

    with pytest.raises(Unanswered, match="charge or discharge"):
        read(tmp_path, with_columns(still, f"{HEADER},status", lambda _trip, row: "Charge MOS on" if row % 3 else "OK"))


def loud_then_quiet(*, ohm: float) -> Trip:
    """Kettles and a charger that show the sign, then as long of a router and a lamp that step too little to."""
    loud, row = trip(300), np.arange(300)
    rng = np.random.default_rng(3)
    current = np.round(-0.8 - 1.6 * (row // 3 % 2) + rng.normal(0, 0.05, 300), 1)
    volts = np.round(13.25 + ohm * current + rng.normal(0, 0.002, 300) * (ohm > 0), 3)
    return Trip(
        np.concatenate([loud.ts_ms, loud.ts_ms[-1] + 60_000 * (row + 1)]),
        np.concatenate([loud.voltage_v, volts]),
        np.concatenate([loud.current_a, current]),
        np.concatenate([loud.temperature_c, np.full(300, 9.0)]),
        np.concatenate([loud.soc_percent, np.full(300, loud.soc_percent[-1])]),
    )


def decided(recording):
    return {entry.question: (entry.answer, entry.strength) for entry in recording.receipt.inferences}


def test_small_steps_together_show_that_the_sign_holds_to_the_end(tmp_path):
    recording = read(tmp_path, lines(loud_then_quiet(ohm=0.008)))

    assert decided(recording)["positive current"][0] == "charge"
    assert not recording.receipt.warnings


def test_small_steps_together_show_a_sign_that_turned_over(tmp_path):
    with pytest.raises(Unanswered, match="voltage and current change the other way"):
        read(tmp_path, lines(turned(loud_then_quiet(ohm=0.008), 300)))


@pytest.mark.parametrize("row", [300, 10_000])
def test_an_end_that_shows_nothing_is_told(row: int, tmp_path):
    """The same voltage throughout: turned over or not, no one could say."""
    t = loud_then_quiet(ohm=0.0)

    recording = read(tmp_path, lines(turned(t, row)))

    (told,) = [entry for entry in recording.receipt.inferences if entry.question == "where the sign shows"]
    assert (told.strength, told.shown.listed[-1].last_line) == ("fair", 601)
    assert any("shows nowhere in lines 302 to 601" in warning for warning in recording.receipt.warnings)


def corrected_percentage(rows: int = 900) -> Trip:
    """A charge in which the percentage rises with the current, until the monitor corrects itself and lets it fall."""
    rng = np.random.default_rng(4)
    row = np.arange(rows)
    current = np.round(np.where(row // 8 % 2, 9.0, -2.0) + rng.normal(0, 0.05, rows), 1)
    percent = np.where(row < 700, 40.0 + row / 20.0, 75.0 - (row - 700) / 12.0)
    return trip(rows).with_(
        current_a=current, voltage_v=np.round(13.1 + 0.008 * current, 2), soc_percent=np.round(percent)
    )


def test_a_percentage_that_is_corrected_turns_no_current_that_the_voltage_confirms(tmp_path):
    t = corrected_percentage()

    recording = read(tmp_path, lines(t), replace(OPTIONS, positive="charge"))

    np.testing.assert_allclose(recording.readings.current_a, t.current_a, atol=1e-9)
    assert "sign turned over" not in {entry.kind for entry in recording.receipt.repairs}


def test_a_turn_that_the_voltage_shows_is_asked_about_though_the_percentage_says_nothing(tmp_path):
    """Four steps one way, then twenty-six the other; the percentage votes both ways throughout."""
    t = short(400)
    current = np.where(np.arange(400) // 15 % 2, -6.0, -1.0)
    rng = np.random.default_rng(1)
    t = t.with_(
        current_a=current,
        voltage_v=np.round(13.2 + 0.01 * current, 2),
        soc_percent=np.round(70.0 + np.cumsum(rng.choice([-0.4, 0.4], 400))),
    )

    with pytest.raises(Unanswered, match="as if the sign turned over"):
        read(tmp_path, lines(turned(t, 50)))


CODED = f"{HEADER},direction"


def coded(rows: int = 120) -> tuple[Trip, np.ndarray]:
    """A current without signs beside a code, in a file too short for the percentage or the voltage to explain it."""
    into = np.arange(rows) >= rows // 2
    t = trip(rows, interval_s=10.0)
    return t.with_(
        current_a=np.where(into, 5.0, 2.5), voltage_v=np.full(rows, 13.2), soc_percent=np.full(rows, 70.0)
    ), into


def read_coded(tmp_path, t, into, ask=None):
    path = tmp_path / "trip.csv"
    path.write_text(text(with_columns(t, CODED, lambda _trip, row: "1" if into[row] else "2")))
    return read_export(path, OPTIONS, ask=ask)


def test_a_direction_in_codes_that_nothing_explains_is_asked_about(tmp_path):
    t, into = coded()
    asked = []

    with pytest.raises(Unanswered, match=r"which word of its direction column is charging\? \(2 or 1\)"):
        read_coded(tmp_path, t, into)
    recording = read_coded(tmp_path, t, into, ask=lambda question: asked.append(question.key) or "1")

    assert asked == ["charging_direction"]
    np.testing.assert_array_equal(recording.readings.current_a, np.where(into, 5.0, -2.5))


def test_a_direction_in_codes_is_explained_by_the_voltage_where_the_percentage_stands(tmp_path):
    t, into = coded()
    size = np.where(np.arange(120) // 4 % 2, 9.0, 3.0)
    current = np.where(into, size, -size)
    t = t.with_(current_a=size, voltage_v=np.round(13.2 + 0.01 * current, 2))

    recording = read_coded(tmp_path, t, into)

    np.testing.assert_array_equal(recording.readings.current_a, current)


def test_of_a_thousand_codes_those_that_stand_most_often_are_tried(tmp_path, monkeypatch):
    """Two codes for most rows, and one of its own in each of the others, as a counter in a column of words may give."""
    tried = []
    shown = logbook.ingest.current._sign_shown
    monkeypatch.setattr("logbook.ingest.current._sign_shown", lambda rows, frame: tried.append(1) or shown(rows, frame))
    t, rows = trip(2000, interval_s=60.0), np.arange(2000)
    into, size = rows // 20 % 2 == 0, np.where(rows // 4 % 2, 9.0, 3.0)
    current = np.where(into, size, -size)
    t = t.with_(current_a=size, voltage_v=np.round(13.2 + 0.01 * current, 2))
    code = np.where(rows % 2, np.where(into, 1, 2), 100 + rows)
    path = tmp_path / "trip.csv"
    path.write_text(text(with_columns(t, CODED, lambda _trip, row: str(code[row]))))

    with pytest.raises(Unanswered):
        read_export(path, OPTIONS)

    assert 0 < len(tried) <= MOST_CODES < len(set(code.tolist()))


def test_steps_near_empty_turn_no_current_against_the_percentage(tmp_path):
    """Discharged to 3 %, then charged and used there in ten-minute readings: charge moves the voltage, not the step."""
    t = trip(600, interval_s=600.0)
    rows = np.arange(600)
    current = np.where(
        rows < 60, np.where(rows % 3, -0.9, -5.1), np.where(rows % 9 < 3, 5.0, np.where(rows % 9 < 6, 0.0, -5.0))
    )
    soc = 28.0 + np.concatenate([[0.0], np.cumsum(current[:-1])]) / 6.0
    knee_v = np.interp(soc, [0.0, 5.0, 10.0, 30.0], [11.2, 12.2, 12.7, 13.0])
    t = t.with_(current_a=current, soc_percent=np.round(soc), voltage_v=np.round(knee_v + 0.01 * current, 1))

    recording = read(tmp_path, lines(t), replace(OPTIONS, positive=None))

    np.testing.assert_array_equal(recording.readings.current_a, current)


def test_few_votes_after_a_turn_borrow_none_from_before_it(tmp_path):
    """Where seven percentages speak after the turn, it is not looked for among those before it."""
    t = trip(900, interval_s=5.0)
    rows = np.arange(900)
    current = np.where((rows > 400) & (rows < 502), -90.0, np.where(rows > 845, -60.0, -0.5))
    soc = 80.0 + np.concatenate([[0.0], np.cumsum(current[:-1])]) * 5.0 / 36.0 / 60.0
    t = t.with_(current_a=current, soc_percent=np.round(soc), voltage_v=np.round(13.2 + 0.0 * current, 1))
    shown = t.with_(current_a=np.where(rows >= 600, -current, current))

    recording = read(tmp_path, lines(shown), replace(OPTIONS, positive="charge"))

    found = recording.readings.current_a
    there = np.isfinite(found)
    np.testing.assert_array_equal(found[there], current[there])


def test_a_small_charge_beside_a_code_that_nothing_explains_is_asked_about_too(tmp_path):
    """0.3 A of a small panel is a current as well: without its code it would count as a load."""
    t, into = coded()
    t = t.with_(current_a=np.where(into, 0.3, 2.5))

    with pytest.raises(Unanswered, match="which word of its direction column is charging"):
        read_coded(tmp_path, t, into)
    recording = read_coded(tmp_path, t, into, ask=lambda _question: "1")

    np.testing.assert_array_equal(recording.readings.current_a, np.where(into, 0.3, -2.5))


def test_percentages_that_all_go_the_other_way_at_an_end_are_told_whatever_the_voltage_does(tmp_path):
    """The voltage rises with a current that is shown with the other sign, as a slow charge moves it; one more % strayed."""
    t = trip(600, interval_s=600.0)
    rows = np.arange(600)
    current = np.where(
        rows < 300, np.where(rows % 40 < 20, -4.0, 3.0), np.where(rows < 450, 0.0, -0.3 + 0.1 * (rows % 3))
    )
    soc = 60.0 + np.concatenate([[0.0], np.cumsum(current[:-1])]) / 6.0
    shown = np.where(rows >= 400, -current, current) + 0.0
    t = t.with_(
        current_a=shown, soc_percent=np.round(soc) + 2 * (rows == 107), voltage_v=np.round(13.2 + 0.02 * shown, 3)
    )

    recording = read(tmp_path, lines(t), replace(OPTIONS, positive=None))

    turned_rows = np.sign(recording.readings.current_a) * np.sign(current) < 0
    assert turned_rows.any()
    assert any("The current seems to count the other way" in warning for warning in recording.receipt.warnings)


def test_a_turn_among_small_steps_at_a_short_end_is_told(tmp_path):
    """Loads of 90 A make the fridge's steps too small to vote; at the end they all go against the rest."""
    t = trip(900, interval_s=5.0)
    rows = np.arange(900)
    current = np.where((rows > 200) & (rows < 400) & (rows // 20 % 2 > 0), -90.0, -0.5)
    current = np.where((rows >= 760) & (rows < 830), -4.5, current)
    soc = 80.0 + np.concatenate([[0.0], np.cumsum(current[:-1])]) * 5.0 / 36.0 / 60.0
    t = t.with_(current_a=current, soc_percent=np.round(soc), voltage_v=np.round(13.2 + 0.01 * current, 2))

    recording = read(tmp_path, lines(turned(t, 740)))
    as_it_was = read(tmp_path, lines(t))

    assert any("The current seems to count the other way in lines" in told for told in recording.receipt.warnings)
    assert not as_it_was.receipt.warnings
    np.testing.assert_array_equal(as_it_was.readings.current_a, current)


def test_a_constant_load_that_becomes_its_mirror_image_at_a_short_end_is_told(tmp_path):
    t = trip(900, interval_s=5.0)
    rows = np.arange(900)
    current = np.where((rows > 200) & (rows < 750) & (rows // 20 % 2 > 0), -90.0, -4.5)
    volts = np.round(13.2 + 0.01 * current + np.random.default_rng(2).normal(0, 0.004, 900), 2)
    t = t.with_(current_a=current, soc_percent=np.full(900, 80.0), voltage_v=volts)

    recording = read(tmp_path, lines(turned(t, 800)))
    as_it_was = read(tmp_path, lines(t))

    (told,) = recording.receipt.warnings
    assert "seems to count the other way in lines" in told
    assert "to 901" in told
    assert not as_it_was.receipt.warnings


def test_a_taper_beside_a_turn_is_not_turned_against_its_percentage(tmp_path):
    """A charge that tapers off steps down while the voltage rises, as if its sign had turned already."""
    t = trip(600)
    rows = np.arange(600)
    loads = np.where(rows // 10 % 2, -12.0, -2.0)
    taper = 24.0 * 0.9 ** np.clip(rows - 300, 0, None)
    current = np.round(np.where((rows >= 290) & (rows < 330), taper, loads), 1)
    soc = 99.0 + np.concatenate([[0.0], np.cumsum(current[:-1])]) / 60.0
    rise = np.where((rows >= 300) & (rows < 330), 0.03 * (rows - 300), 0.0)
    t = t.with_(current_a=current, soc_percent=np.round(soc, 2), voltage_v=np.round(13.2 + 0.01 * current + rise, 2))

    recording = read(tmp_path, lines(turned(t, 335)), replace(OPTIONS, positive="charge"))

    found = recording.readings.current_a
    there = np.isfinite(found)
    np.testing.assert_array_equal(found[there], current[there])
    assert there.sum() > 500


@pytest.mark.parametrize("rare", [4.9, 0.3])
def test_what_flows_while_a_rare_code_stands_is_left_empty(rare: float, tmp_path):
    """Three rows of another code than the one that always stands: they may be of the other direction."""
    t = trip(420)
    into = np.arange(420) >= 417
    size = np.where(into, rare, np.where(np.arange(420) // 9 % 2, 8.0, 1.2))
    soc = 90.0 - np.cumsum(np.where(into, -size, size)) / 60.0
    t = t.with_(current_a=size, voltage_v=np.round(13.2 - 0.01 * size, 2), soc_percent=np.round(soc))

    recording = read_coded(tmp_path, t, into)

    np.testing.assert_array_equal(recording.readings.current_a, np.where(into, np.nan, -size))
    (repair,) = [entry for entry in recording.receipt.repairs if entry.kind == "no direction"]
    assert (repair.count, repair.lines) == (3, (419, 420, 421))


def test_what_flows_while_the_direction_says_rest_is_left_empty(tmp_path):
    t = trip(240)
    rows = np.arange(240)
    word = np.array(["charging", "discharging", "idle"])[rows // 12 % 3]
    size = np.where(rows % 12 < 4, 3.0, 2.0) * (word != "idle") + 0.6 * ((word == "idle") & (rows % 12 == 5))
    t = t.with_(current_a=size, voltage_v=np.full(240, 13.2), soc_percent=np.full(240, 80.0))
    path = tmp_path / "trip.csv"
    path.write_text(text(with_columns(t, CODED, lambda _trip, row: str(word[row]))))

    recording = read_export(path, OPTIONS)

    sign = np.select([word == "charging", word == "discharging"], [1.0, -1.0], 0.0)
    expected = np.where((word == "idle") & (size > 0), np.nan, sign * size)
    np.testing.assert_array_equal(recording.readings.current_a, expected + 0.0)
    assert [entry.count for entry in recording.receipt.repairs if entry.kind == "no direction"] == [
        np.isnan(expected).sum()
    ]


@pytest.mark.parametrize(("word", "sign"), [("Discharging", -1.0), ("Laden", 1.0)])
def test_a_direction_that_only_ever_says_one_way_and_rest_is_understood(word: str, sign: float, tmp_path):
    """A weekend that only discharged: nothing else in the file tells which way its current counts."""
    t = trip(240)
    flows = np.arange(240) % 20 < 8
    t = t.with_(current_a=np.where(flows, 4.0, 0.0), voltage_v=np.full(240, 13.2), soc_percent=np.full(240, 80.0))
    path = tmp_path / "trip.csv"
    path.write_text(text(with_columns(t, CODED, lambda _trip, row: word if flows[row] else "Idle")))

    recording = read_export(path, OPTIONS)

    np.testing.assert_array_equal(recording.readings.current_a, sign * t.current_a + 0.0)


@pytest.mark.parametrize("stray_s", [0, 20])
def test_a_percentage_that_moves_by_several_at_once_tells_a_turn_too(stray_s: int, tmp_path):
    """A quarter of an hour a row, give or take: an alternator at the end charges 5 % a row, after the monitor was set anew."""
    rng = np.random.default_rng(8)
    rows = np.arange(300)
    current = np.where(rows < 260, np.where(rows % 40 < 30, -1.6, 4.4), 20.0)
    current = np.round(current + rng.normal(0, 0.05, 300), 1)
    soc = np.round(20.0 + np.concatenate([[0.0], np.cumsum(current[:-1])]) / 4.0, 1)
    t = trip(300, interval_s=900.0)
    t = t.with_(
        ts_ms=t.ts_ms + 1000 * rng.integers(-stray_s, stray_s + 1, 300),
        current_a=np.where(rows < 275, current, 20.0),
        soc_percent=np.where(rows < 275, soc, soc[259] + 5.0 * (rows - 259.0)).clip(0, 100),
        voltage_v=np.full(300, 13.2),
    )

    recording = read(tmp_path, lines(turned(t, 262)))

    current_read = recording.readings.current_a
    there = np.isfinite(current_read)
    np.testing.assert_array_equal(current_read[there], t.current_a[there])
    assert there.sum() >= 295


def test_a_lone_percentage_does_not_make_the_steps_of_a_taper_tell(tmp_path):
    row = np.arange(240)
    t = trip(240).with_(
        current_a=np.round(np.maximum(40.0 - 4.0 * (row // 20), 2.0), 1),
        voltage_v=np.round(13.72 + 0.01 * (row // 20), 2),
        soc_percent=np.select([row < 80, row < 160], [80.0, 85.0], 90.0),
    )

    with pytest.raises(Unanswered, match="charge or discharge"):
        read(tmp_path, lines(t))
