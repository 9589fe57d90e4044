from __future__ import annotations

import json
import sqlite3
from pathlib import Path

from tests.cli.test_imports import bring, export


def test_a_backup_brings_everything_back(house, tmp_path):
    bring(house, export(tmp_path / "trip.csv"))
    before = house("health", "--json").out

    backed_up = house("backup", str(tmp_path / "safe"))
    house("undo", "1", "--yes")
    restored = house("restore", backed_up.out.strip(), "--yes")

    assert (backed_up.code, restored.code) == (0, 0)
    assert "30 readings, 1 pack, 1 kept file" in backed_up.err
    assert "The former logbook is now" in restored.err
    assert house("health", "--json").out == before


def test_a_folder_means_the_newest_backup_in_it(house, tmp_path):
    bring(house, export(tmp_path / "trip.csv"))
    newest = Path(house("backup", str(tmp_path / "safe")).out.strip())
    newest.with_name("logbook-20200101T000000Z.sqlite3").write_bytes(b"an old one that nobody should open")

    restored = house("restore", str(tmp_path / "safe"), "--yes")

    assert restored.code == 0
    assert f"The newest backup there is {newest}." in restored.err
    assert restored.out.strip() == f"Restored {newest}."


def test_a_folder_without_a_backup_is_said_so(house, tmp_path):
    refused = house("restore", str(tmp_path), "--yes")

    assert refused.code == 66
    assert "there is no backup in this folder" in refused.err


def test_restore_needs_a_yes_where_a_logbook_stands(house, tmp_path, terminal, monkeypatch):
    backed_up = house("backup", str(tmp_path / "safe")).out.strip()
    bring(house, export(tmp_path / "trip.csv"))

    refused = house("restore", backed_up)
    asked = terminal(False)
    declined = house("restore", backed_up)

    assert (refused.code, declined.code) == (65, 0)
    assert "give --yes" in refused.err
    assert str(tmp_path / "logbook.sqlite3") in declined.err
    assert asked == ["Restore it?"]
    assert len(json.loads(house("imports", "--json").out)) == 1
    monkeypatch.setattr("logbook.cli.session.Session.may_ask", False)
    monkeypatch.setenv("LOGBOOK_DB", str(tmp_path / "elsewhere.sqlite3"))
    assert house("restore", backed_up).code == 0


def test_a_backup_that_is_not_there_is_said_so(house, tmp_path):
    assert house("restore", str(tmp_path / "nothing.sqlite3"), "--yes").code == 66


def test_a_sound_logbook_is_called_sound(house, tmp_path):
    bring(house, export(tmp_path / "trip.csv"))

    checked = house("check")

    assert checked.code == 0
    assert checked.out.startswith("Sound:")


def test_a_lost_kept_file_is_found(house, tmp_path):
    bring(house, export(tmp_path / "trip.csv"))
    for kept in Path(tmp_path).rglob("*.zst"):
        kept.unlink()

    checked = house("check")

    assert checked.code == 1
    assert "trip.csv" in checked.out


def test_findings_that_were_changed_are_found_and_made_again(house, tmp_path):
    bring(house, export(tmp_path / "trip.csv"))
    before = json.loads(house("health", "--json").out)
    with sqlite3.connect(tmp_path / "logbook.sqlite3") as connection:
        connection.execute("UPDATE hour SET charge_ah = charge_ah + 1")
    connection.close()

    found, mended, after = house("check"), house("check", "--mend"), house("check")

    assert (found.code, mended.code, after.code) == (1, 0, 0)
    assert "House battery" in found.out
    assert json.loads(house("health", "--json").out) == before


def test_a_rebuild_gives_the_same_answer(house, tmp_path):
    bring(house, export(tmp_path / "trip.csv"))
    before = house("health", "--json").out

    rebuilt = house("rebuild")

    assert rebuilt.code == 0
    assert 'Rebuilt "House battery".' in rebuilt.err
    assert house("health", "--json").out == before


def test_an_export_reads_without_the_program(house, tmp_path):
    bring(house, export(tmp_path / "trip.csv"))

    written = house("export", str(tmp_path / "plain"))

    assert written.code == 0
    assert written.out.strip() == str(tmp_path / "plain")
    assert "Wrote 30 readings of 1 pack." in written.err
    assert len((tmp_path / "plain" / "pack-1" / "readings.csv").read_text("utf-8").splitlines()) == 31


def test_an_export_writes_over_nothing(house, tmp_path):
    assert house("export", str(tmp_path)).code == 73


def test_what_is_no_backup_is_told_by_its_own_name(house, tmp_path):
    text = tmp_path / "letter.txt"
    text.write_text("Dear logbook", "utf-8")

    refused = house("restore", str(text), "--yes")

    assert refused.code == 78
    assert f"Error: {text}: this file is not a logbook." in refused.err
    assert house("pack", "list").code == 0
