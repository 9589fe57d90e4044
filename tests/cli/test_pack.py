from __future__ import annotations

import json

import pytest

from logbook.schema.pack import LIMIT_FIELDS
from tests.cli.test_imports import bring, export


def shown(run, *arguments):
    return json.loads(run("pack", "show", *arguments, "--json").out)


def test_adding_shows_each_limit_with_its_default_and_reason(run):
    added = run("pack", "add", "Van", "--rated-ah", "100", "--cells", "4", "--tail-current-a", "3")

    assert added.code == 0
    for name, _unit, reason in LIMIT_FIELDS:
        assert name in added.out
        assert reason in added.out
    assert "no (4)" in added.out
    assert 'Added "Van".' in added.err


def test_help_names_each_limit_and_its_reason(run):
    text = " ".join(run("pack", "add", "--help").out.split())

    for name, _unit, reason in LIMIT_FIELDS:
        assert "--" + name.replace("_", "-") in text
        assert reason in text
    assert "None" not in text
    for words in (
        "Default 5 %: the reported",
        "Default 14 V for 4 cells: ",
        "Default 4 A for 100 Ah: ",
        "Default 3 h: ",
    ):
        assert words in text


def test_a_pack_keeps_what_was_said_of_it(run):
    options = ("--chemistry", "lto", "--purchased", "2024-03-01", "--timezone", "Europe/Berlin")

    run("pack", "add", "Old one", "--rated-ah", "50", "--cells", "6", *options)

    kept = shown(run, "Old one")
    assert (kept["chemistry"], kept["purchased"], kept["time_zone"]) == ("lto", "2024-03-01", "Europe/Berlin")
    assert (kept["rated_ah"], kept["cells_in_series"]) == (50.0, 6)


def test_limits_that_were_defaults_follow_an_edited_rating_and_others_stay(house):
    house("pack", "edit", "House battery", "--full-voltage-v", "13.9")

    house("pack", "edit", "House battery", "--rated-ah", "200", "--name", "House")

    limits = shown(house, "House")["limits"]
    assert limits["tail_current_a"] == 8.0
    assert limits["full_voltage_v"] == 13.9


def test_a_limit_can_be_put_back_to_its_default(house):
    house("pack", "edit", "House battery", "--full-voltage-v", "13.9")

    house("pack", "edit", "House battery", "--default", "full_voltage_v")

    assert shown(house, "House battery")["limits"]["full_voltage_v"] == 14.0


def test_an_edit_of_nothing_says_how(house):
    edited = house("pack", "edit", "House battery")

    assert edited.code == 0
    assert "--help" in edited.err


def test_the_list_says_how_to_begin(run):
    assert "logbook pack add" in run("pack", "list").err
    assert run("pack", "list").out == ""


def test_the_list_gives_each_pack_with_its_readings(house):
    assert "House battery" in house("pack", "list").out
    assert json.loads(house("pack", "list", "--json").out)[0]["readings"] == 0


def test_an_unknown_pack_gets_the_nearest_name(house):
    told = house("pack", "show", "House batery")

    assert told.code == 65
    assert 'Did you mean "House battery"?' in told.err


def test_the_only_pack_needs_no_name_but_one_of_several_does(house):
    assert shown(house)["name"] == "House battery"
    house("pack", "add", "Other", "--rated-ah", "50", "--cells", "4")

    told = house("pack", "show")

    assert told.code == 65
    assert '"House battery", "Other"' in told.err


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("--rated-ah", "0", "--cells", "4"), 2),
        (("--rated-ah", "100"), 2),
        (("--rated-ah", "100", "--cells", "4", "--full-voltage-v", "nan"), 2),
        (("--rated-ah", "100", "--cells", "4", "--timezone", "Berlin"), 65),
    ],
)
def test_what_no_pack_can_be_is_refused(run, arguments, code):
    assert run("pack", "add", "X", *arguments).code == code
    assert json.loads(run("pack", "list", "--json").out) == []


def test_a_second_pack_of_the_same_name_is_refused(house):
    told = house("pack", "add", "House battery", "--rated-ah", "100", "--cells", "4")

    assert told.code == 78
    assert "Choose another name" in told.err


def test_a_single_cell_is_one_cell(run):
    assert "2.6 Ah, 1 cell in series" in run("pack", "add", "Bench", "--rated-ah", "2.6", "--cells", "1").out


def test_a_swap_splits_the_files_imported_after_it(house, tmp_path):
    house("pack", "add", "New battery", "--rated-ah", "100", "--cells", "4")
    house("pack", "edit", "House battery", "--timezone", "Europe/Berlin")

    swapped = house("pack", "swap", "House battery", "New battery", "--at", "2026-02-07T07:10")
    brought = bring(house, export(tmp_path / "trip.csv"))

    assert swapped.out.strip() == "New battery took the place of House battery on 7 Feb 2026, 07:10."
    assert "30 rows read: 10 stored" in brought.out
    assert [note["text"] for note in json.loads(house("note", "list", "--json").out)] == [
        'pack swapped for "New battery"',
        'pack swapped in for "House battery"',
    ]


def test_a_swap_written_down_late_names_the_imports_to_take_back(house, tmp_path):
    house("pack", "add", "New battery", "--rated-ah", "100", "--cells", "4")
    bring(house, export(tmp_path / "trip.csv"))

    swapped = house("pack", "swap", "House battery", "New battery", "--at", "2026-02-07T06:10")

    assert "Import 1 (trip.csv) gave House battery readings of the other's time." in swapped.err
    assert "logbook undo 1" in swapped.err


def test_a_pack_is_not_swapped_for_itself(house):
    assert house("pack", "swap", "House battery", "House battery", "--at", "2026-02-07").code == 65


def swapped_house(house, tmp_path):
    house("pack", "add", "New battery", "--rated-ah", "120", "--cells", "4", "--timezone", "America/New_York")
    house("pack", "edit", "House battery", "--timezone", "Europe/Berlin")
    house("pack", "swap", "House battery", "New battery", "--at", "2026-02-07T07:10")
    return export(tmp_path / "trip.csv")


def test_one_import_brings_both_halves_of_a_swap_with_a_receipt_each(house, tmp_path):
    path = swapped_house(house, tmp_path)
    before = house("export", str(tmp_path / "before")).code

    brought = bring(house, path, "--swapped", "--json")

    receipts = [json.loads(line) for line in brought.out.splitlines()]
    assert [(told["pack_name"], told["rows_stored"]) for told in receipts] == [
        ("House battery", 10),
        ("New battery", 20),
    ]
    assert [row["pack"] for row in json.loads(house("imports", "--json").out)] == ["House battery", "New battery"]
    counts = {pack["name"]: pack["readings"] for pack in json.loads(house("pack", "list", "--json").out)}
    assert (before, counts) == (0, {"House battery": 10, "New battery": 20})
    assert house("undo", "2", "--yes").code == 0
    counts = {pack["name"]: pack["readings"] for pack in json.loads(house("pack", "list", "--json").out)}
    assert counts == {"House battery": 10, "New battery": 0}
    again = bring(house, path, "--swapped", "--json")
    assert [json.loads(line)["rows_stored"] for line in again.out.splitlines()] == [0, 20]


def test_a_half_that_is_left_is_pointed_to(house, tmp_path):
    path = swapped_house(house, tmp_path)

    assert "--swapped" in bring(house, path).err


def test_a_file_of_one_time_only_is_no_failure_for_the_other_pack(house, tmp_path):
    path = swapped_house(house, tmp_path)
    rows = path.read_text().splitlines()
    path.write_text("\n".join([rows[0], *rows[20:]]) + "\n")

    brought = bring(house, path, "--swapped")

    assert brought.code == 0
    assert "None of its readings is of the time" in brought.err
