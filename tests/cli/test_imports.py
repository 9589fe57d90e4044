from __future__ import annotations

import gzip
import json
import re
from typing import TYPE_CHECKING

import pytest

from logbook.cli import questions
from logbook.cli.session import Session
from logbook.ingest import Question

if TYPE_CHECKING:
    from pathlib import Path

START = "2026-02-07T06:{minute:02}:00Z"
HEADER = "timestamp,voltage_v,current_a,temperature_c,soc_percent"


def export(path: Path, minutes: range = range(30), extra: str = "") -> Path:
    """A frosty morning: a load, then from minute 10 a charger below freezing."""
    rows = [HEADER]
    for minute in minutes:
        volts, amps = (13.2, -4.0) if minute < 10 else (13.4 + minute / 500, 20.0)
        rows.append(f"{START.format(minute=minute)},{volts:.2f},{amps},-2.0,{70 + minute // 10}")
    path.write_text("\n".join([*rows, extra]) + "\n", "utf-8")
    return path


@pytest.fixture
def trip(tmp_path):
    return export(tmp_path / "trip.csv")


def bring(run, *files, options=("--positive", "charge")):
    return run("import", *map(str, files), "--pack", "House battery", *options)


def test_an_import_prints_its_receipt_and_names_the_next_step(house, trip):
    brought = bring(house, trip)

    assert brought.code == 0
    assert "30 rows read: 30 stored, 0 already known, 0 set aside." in brought.out
    assert "7 Feb 2026, 06:00 to 7 Feb 2026, 06:29 (UTC), one every 60 s, no gap." in brought.out
    for quantity in ("voltage_v", "current_a", "temperature_c", "soc_percent"):
        assert quantity in brought.out
    assert 'logbook health "House battery"' in brought.err


def test_a_receipt_tells_what_changed_in_the_answers_then_and_later(house, trip, tmp_path):
    bring(house, trip)

    brought = bring(house, export(tmp_path / "later.csv", range(30, 60)))
    again = house("receipt", "2")
    document = json.loads(house("receipt", "2", "--json").out)

    told = brought.out.partition("What changed in the answers\n")[2]
    assert re.search(r"- Charged below 0 °C: once, 16.\d Ah in all. Before: once, 6.\d Ah in all.", told)
    assert again.out.endswith(told)
    assert document["changes"]["reason"] is None
    assert [f"  - {said}" for said in document["changes"]["sentences"]] == told.splitlines()


def test_the_receipt_as_json_is_one_line_a_file(house, trip, tmp_path):
    later = export(tmp_path / "later.csv", range(30, 60))

    lines = bring(house, trip, later, options=("--positive", "charge", "--json")).out.splitlines()

    assert [json.loads(line)["file_name"] for line in lines] == ["trip.csv", "later.csv"]
    assert [json.loads(line)["rows_stored"] for line in lines] == [30, 30]


def test_the_same_file_again_changes_nothing_and_says_so(house, trip):
    bring(house, trip)

    again = bring(house, trip)

    assert again.code == 0
    assert re.search(r"This file came before, on \d+ \w{3} \d{4}, \d\d:\d\d\. Nothing was stored now\.", again.out)
    assert json.loads(house("pack", "list", "--json").out)[0]["readings"] == 30


def test_a_dry_run_shows_everything_and_writes_nothing(house, trip):
    tried = bring(house, trip, options=("--positive", "charge", "--dry-run"))

    assert "dry run: nothing was written" in tried.out
    assert "30 would be stored" in tried.out
    assert json.loads(house("imports", "--json").out) == []


def test_of_several_devices_the_one_that_is_meant_is_taken(house, tmp_path):
    path = export(tmp_path / "two.csv")
    header, *rows = path.read_text("utf-8").splitlines()
    twice = [f"{row},{name}" for row in rows if row for name in ("House", "Starter")]
    path.write_text("\n".join([f"{header},device", *twice]) + "\n", "utf-8")

    refused = bring(house, path)
    taken = bring(house, path, options=("--positive", "charge", "--device", "House"))

    assert refused.code == 65
    assert "--device" in refused.err
    assert taken.code == 0
    assert "30 stored" in taken.out


def test_one_file_is_split_between_two_packs(house, trip):
    house("pack", "add", "New battery", "--rated-ah", "100", "--cells", "4")
    options = ("--positive", "charge", "--until", "2026-02-07T06:10")

    old = bring(house, trip, options=options)
    new = house("import", str(trip), "--pack", "New battery", *options[:2], "--from", options[3])

    assert "30 rows read: 10 stored" in old.out
    assert "30 rows read: 20 stored" in new.out
    assert re.search(r"readings outside the dates given, left for another pack +20 ", old.out)


def test_a_receipt_tells_the_moment_of_a_swap_on_the_packs_own_clock(house, trip):
    house("pack", "edit", "House battery", "--timezone", "Europe/Berlin")
    house("pack", "add", "New battery", "--rated-ah", "100", "--cells", "4", "--timezone", "Europe/Berlin")
    house("pack", "swap", "House battery", "New battery", "--at", "2026-02-07T07:10")

    brought = house("import", str(trip), "--pack", "House battery", "--positive", "charge", "--swapped").out

    assert 'readings from 7 Feb 2026, 07:10 on, left for "New battery"' in brought
    assert 'readings before 7 Feb 2026, 07:10, left for "House battery"' in brought


def test_a_packed_file_is_taken_as_it_is(house, trip, tmp_path):
    packed = tmp_path / "trip.csv.gz"
    packed.write_bytes(gzip.compress(trip.read_bytes()))

    assert "30 stored" in bring(house, packed).out


def test_one_bad_file_does_not_stop_the_rest(house, trip, tmp_path):
    bad = tmp_path / "bad.csv"
    bad.write_text("nothing, of, use\n1,2,3\n", "utf-8")

    brought = bring(house, bad, trip)

    assert brought.code == 1
    assert "30 stored" in brought.out
    assert "bad.csv" in brought.err


@pytest.mark.parametrize(
    ("content", "code"), [("", 65), ("nothing,of,use\n1,2,3\n", 65), (f"{HEADER}\na,b,c,d,e\n", 65), (None, 66)]
)
def test_a_file_that_cannot_be_taken_in_ends_with_its_own_code(house, tmp_path, content, code):
    path = tmp_path / "bad.csv"
    if content is not None:
        path.write_text(content, "utf-8")

    brought = bring(house, path)

    assert brought.code == code
    assert "bad.csv" in brought.err
    assert brought.out == ""
    assert "Traceback" not in brought.err
    assert json.loads(house("imports", "--json").out) == []


def test_a_failed_file_is_told_in_json_too(house, tmp_path):
    brought = bring(house, tmp_path / "missing.csv", options=("--json",))

    told = json.loads(brought.out)
    assert told["file_name"] == "missing.csv"
    assert told["error"]["exit_code"] == brought.code == 66


def test_a_saved_mapping_reads_the_next_file_of_its_kind_without_a_question(house, tmp_path):
    """The current says nothing by itself in the second file; the mapping remembers what was said once."""
    words = HEADER.replace("current_a", "I").replace("timestamp", "clock")
    for name, minutes in (("first.csv", range(30)), ("second.csv", range(30, 40))):
        path = export(tmp_path / name, minutes)
        path.write_text(path.read_text("utf-8").replace(HEADER, words), "utf-8")
    saved = tmp_path / "monitor.toml"

    first = bring(house, tmp_path / "first.csv", options=("--positive", "charge", "--save-mapping", str(saved)))
    second = bring(house, tmp_path / "second.csv", options=("--mapping", str(saved)))

    assert (first.code, second.code) == (0, 0)
    assert 'positive = "charge"' in saved.read_text("utf-8")
    assert "10 stored" in second.out


@pytest.mark.parametrize("target", ["no/such/folder.toml", "."])
def test_a_mapping_that_cannot_be_written_leaves_the_import_as_it_is(house, trip, tmp_path, monkeypatch, target):
    monkeypatch.chdir(tmp_path)

    brought = bring(house, trip, options=("--positive", "charge", "--save-mapping", target))

    assert brought.code == 73
    assert "the import itself is not affected" in brought.err
    assert len(json.loads(house("imports", "--json").out)) == 1


def test_a_mapping_with_a_wrong_key_is_refused_with_the_nearest(house, trip, tmp_path):
    wrong = tmp_path / "wrong.toml"
    wrong.write_text('[file]\ndelimeter = "tab"\n', "utf-8")

    told = bring(house, trip, options=("--mapping", str(wrong)))

    assert told.code == 78
    assert 'Did you mean "delimiter"?' in told.err


def test_what_unpacks_to_more_than_the_limit_is_refused(house, tmp_path):
    packed = tmp_path / "zeros.csv.gz"
    packed.write_bytes(gzip.compress(b"0" * (2 << 20)))

    told = bring(house, packed, options=("--max-mib", "1"))

    assert told.code == 65
    assert "--max-mib" in told.err


def test_a_pack_that_is_not_there_takes_nothing(house, trip):
    assert house("import", str(trip), "--pack", "Nobody").code == 65


def test_what_the_data_cannot_decide_stops_and_names_what_settles_it(house, tmp_path):
    """1 February or 2 January: the one day in the file allows both, and nobody is there to ask."""
    path = tmp_path / "one-day.csv"
    rows = [f"01/02/2026 06:{minute:02},13.30,5.0" for minute in range(20)]
    path.write_text("\n".join(["time,voltage_v,current_a", *rows]) + "\n", "utf-8")

    brought = bring(house, path)

    assert brought.code == 65
    assert "day first or month first" in brought.err
    assert 'order = "day-first"' in brought.err


def test_a_question_is_put_with_its_evidence_and_the_answer_taken(monkeypatch, capsys):
    question = Question("sign", "Which way?", ("charge", "discharge"), "Thin.", "--positive charge")
    monkeypatch.setattr(questions.click, "prompt", lambda *_args, **options: options["type"].choices[1])

    assert questions.ask(question) == "discharge"
    told = capsys.readouterr().err
    assert "Which way?" in told
    assert "Thin." in told
    assert "--positive charge" in told


def test_nobody_is_asked_without_a_terminal_or_when_told_not_to(monkeypatch):
    assert not Session().may_ask
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    assert Session().may_ask
    assert not Session(no_input=True).may_ask


def test_imports_are_listed_with_their_span(house, trip):
    bring(house, trip)

    listed = json.loads(house("imports", "--json").out)

    assert [(row["pack"], row["file_name"], row["first"]) for row in listed] == [
        ("House battery", "trip.csv", "2026-02-07T06:00:00Z")
    ]
    assert "trip.csv" in house("imports", "House battery").out


def test_a_receipt_can_be_shown_again_with_every_row_set_aside(house, tmp_path):
    torn = export(tmp_path / "torn.csv", extra="half past six,13.2,-4.0,-2.0,72")
    first = bring(house, torn)

    again = house("receipt", "1", "--rows")
    document = json.loads(house("receipt", "1", "--rows", "--json").out)

    assert "1 set aside" in first.out
    assert "half past six" in again.out
    assert [row["line"] for row in document["set_aside"]] == [32]
    assert document["rows_stored"] == 30


def test_undo_takes_exactly_one_import_back(house, trip, tmp_path):
    bring(house, trip)
    bring(house, export(tmp_path / "later.csv", range(20, 50)))

    undone = house("undo", "2", "--yes")

    assert undone.code == 0
    assert "later.csv" in undone.out
    assert json.loads(house("pack", "list", "--json").out)[0]["readings"] == 30


def test_undo_shows_what_it_would_take_back_and_needs_a_yes(house, trip):
    bring(house, trip)

    refused = house("undo", "1")

    assert refused.code == 65
    assert "Import 1: trip.csv for House battery" in refused.err
    assert "30 rows read: 30 stored" in refused.err
    assert "7 Feb 2026, 06:00 to 7 Feb 2026, 06:29 (UTC)" in refused.err
    assert "give --yes" in refused.err
    assert len(json.loads(house("imports", "--json").out)) == 1


@pytest.mark.parametrize("answer", [True, False])
def test_undo_asks_at_a_terminal(house, trip, terminal, answer):
    bring(house, trip)
    asked = terminal(answer)

    undone = house("undo", "1")

    assert asked == ["Take this import back?"]
    assert undone.code == 0
    assert ("Nothing was changed." in undone.err) is not answer
    assert len(json.loads(house("imports", "--json").out)) == (0 if answer else 1)


def test_a_receipt_is_shown_after_its_pack_was_renamed(house, trip):
    bring(house, trip)
    house("pack", "edit", "House battery", "--name", "Old battery")

    assert house("receipt", "1").code == 0


@pytest.mark.parametrize("command", ["receipt", "undo"])
def test_an_import_that_is_not_there_is_said_so(house, command):
    told = house(command, "7")

    assert told.code == 65
    assert "7" in told.err


def test_a_zone_that_is_none_is_told_with_the_nearest(house, trip):
    refused = bring(house, trip, options=("--positive", "charge", "--timezone", "Berlin"))

    assert refused.code == 65
    assert 'There is no time zone "Berlin".' in refused.err
    assert "Europe/Berlin" in refused.err


def test_another_packs_voltage_is_looked_at_twice(house, trip):
    house("pack", "add", "Eight cells", "--rated-ah", "100", "--cells", "8")

    brought = house("import", str(trip), "--pack", "Eight cells", "--positive", "charge")

    assert "very low for 8 cells in series" in brought.out
