"""What an owner does, from the first visit on, in a real browser and a real logbook."""

from __future__ import annotations

import re

import pytest

from logbook.dashboard import create_app
from logbook.dashboard.uploads import PIECE_BYTES
from logbook.store import add_pack, list_notes, list_packs, open_store, reading_span
from tests.dashboard import exports
from tests.dashboard.test_browser import LAPTOP, PHONE, no_trouble_reading, settled, until, visit, watched

pytestmark = pytest.mark.browser


@pytest.fixture
def store(tmp_path):
    with open_store(f"sqlite:///{tmp_path}/logbook.sqlite3") as opened:
        yield opened


@pytest.fixture
def home(store, serve_live):
    return serve_live(create_app(store))


@pytest.fixture
def phone(browser):
    yield from watched(browser, PHONE, "dark")


@pytest.fixture
def laptop(browser):
    yield from watched(browser, LAPTOP, "light")


@pytest.fixture
def refused(browser):
    """A laptop of which something is refused or lost on the way, as the test means it."""
    yield from watched(browser, LAPTOP, "light", expected=("status of 400", "ERR_CONNECTION_RESET"))


def file_of(text, name="trip.csv"):
    return {"name": name, "mimeType": "text/csv", "buffer": text.encode()}


def bring_in(page, home, *files):
    visit(page, f"{home}/imports")
    page.wait_for_selector("#files", state="attached")
    page.set_input_files("#files", list(files))


def test_first_visit_name_a_pack_import_a_file_and_read_the_answer(phone, home, store):
    visit(phone, home)
    phone.get_by_role("link", name="here in the browser").first.click()
    phone.wait_for_selector("text=First, name the pack")
    no_trouble_reading(phone)
    phone.get_by_label("Name", exact=True).fill("House")
    assert phone.get_by_label("Time zone you read clocks in").input_value() == "America/Lima"  # as the browser says
    phone.get_by_role("button", name="Add this pack").click()
    phone.wait_for_selector("text=Give its rated amp-hours")  # nobody is given a rating to be measured against
    phone.get_by_label("Rated amp-hours, from its label").fill("100")
    phone.get_by_role("button", name="Add this pack").click()

    phone.wait_for_selector("#files", state="attached")
    phone.set_input_files("#files", [file_of(exports.frosty_trip())])
    phone.wait_for_selector("text=It brought 4\u00a0320 new readings.")
    no_trouble_reading(phone)
    phone.get_by_role("link", name="See the answers").click()
    phone.wait_for_selector("h1:text('House')")

    assert [(pack.time_zone, pack.rated_ah) for pack in list_packs(store)] == [("America/Lima", 100.0)]
    assert "Yes, once." in phone.text_content("main")
    no_trouble_reading(phone)


def test_a_question_about_the_sign_is_asked_with_both_readings_shown_and_answered(laptop, home, store):
    pack = add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    bring_in(laptop, home, file_of(exports.silent_about_sign()))
    laptop.wait_for_selector("text=/Does a positive current charge or discharge the pack/")

    words = laptop.text_content("#import-jobs")
    assert "3.0\u00a0A into the pack" in words
    assert "3.0\u00a0A out of the pack" in words
    no_trouble_reading(laptop)
    laptop.reload()  # it waits for its owner, whatever the browser does
    settled(laptop)
    laptop.get_by_role("button", name="Positive is discharging").click()
    laptop.wait_for_selector("text=It brought 120 new readings.")

    assert reading_span(store, pack.id)[0] == 120
    laptop.get_by_role("link", name="Read the receipt").click()
    laptop.wait_for_selector("h1:text('What did this import bring?')")
    assert "You said so" in laptop.text_content("main")
    assert "What changed in the answers" in laptop.text_content("main")
    assert "of it logged." in laptop.text_content("main")
    assert "Before: " not in laptop.text_content("main")
    no_trouble_reading(laptop)


def test_find_the_frozen_morning_and_jump_to_its_readings(laptop, home, store):
    add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    bring_in(laptop, home, file_of(exports.frosty_trip()))
    laptop.wait_for_selector("text=See the answers")
    visit(laptop, f"{home}/pack/1/cold")

    assert "13 Jan 2026, 08:00" in laptop.text_content("main")
    laptop.get_by_role("link", name="Readings", exact=True).click()
    laptop.wait_for_selector("text=13 Jan 2026, 06:00 to 13 Jan 2026, 11:30")
    laptop.wait_for_selector("#readings-graph .scatterlayer .trace")
    no_trouble_reading(laptop)
    address = laptop.url
    laptop.reload()
    laptop.wait_for_selector("text=13 Jan 2026, 06:00 to 13 Jan 2026, 11:30")

    assert laptop.url == address
    laptop.get_by_role("button", name="A day").click()
    laptop.wait_for_selector("text=(24\u00a0h)")
    assert laptop.url != address
    with laptop.expect_download() as download:
        laptop.get_by_role("link", name="Download this window as CSV").click()
    lines = download.value.path().read_text().splitlines()
    assert lines[0] == "time_utc,time_local (Europe/Berlin),voltage_v,current_a,temperature_c,soc_percent"
    assert len(lines) == 1 + 24 * 30  # every two minutes
    laptop.get_by_role("button", name="Show them as a table").click()
    laptop.wait_for_selector("text=50 readings from")
    no_trouble_reading(laptop)
    first = laptop.text_content("#readings-table tbody tr:first-child")
    laptop.get_by_role("button", name="Show the next ones").click()
    until(laptop, "before => document.querySelector('#readings-table tbody tr').textContent !== before", arg=first)
    laptop.get_by_role("button", name="A week").click()
    until(laptop, "!document.querySelector('#readings-table table')")


def test_a_drag_over_the_chart_looks_closer(laptop, home, store):
    add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    bring_in(laptop, home, file_of(exports.frosty_trip()))
    laptop.wait_for_selector("text=See the answers")
    visit(laptop, f"{home}/pack/1/readings")
    laptop.wait_for_selector("#readings-graph .scatterlayer .trace")
    before = laptop.text_content("#readings-said")
    laptop.locator("#readings-graph").scroll_into_view_if_needed()
    box = laptop.locator("#readings-graph .plotly .nsewdrag").first.bounding_box()
    laptop.mouse.move(box["x"] + box["width"] * 0.4, box["y"] + 40)
    laptop.mouse.down()
    laptop.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + 45, steps=8)
    laptop.mouse.up()

    until(laptop, "before => document.querySelector('#readings-said').textContent !== before", arg=before)
    assert "(1 " in laptop.text_content("#readings-said") or "h" in laptop.text_content("#readings-said")


def test_a_note_is_written_seen_on_the_charts_and_taken_away(laptop, home, store):
    pack = add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    bring_in(laptop, home, file_of(exports.frosty_trip()))
    laptop.wait_for_selector("text=See the answers")
    visit(laptop, f"{home}/pack/1/use")
    laptop.get_by_text("Write a note").click()
    laptop.get_by_label("When it was").fill("2026-01-12T10:00")
    laptop.get_by_label("What to remember").fill("<b>New lugs</b> on the negative cable")
    laptop.get_by_role("button", name="Write it down").click()
    laptop.wait_for_selector(".notes >> text=<b>New lugs</b> on the negative cable")

    assert [note.text for note in list_notes(store, pack.id)] == ["<b>New lugs</b> on the negative cable"]
    assert "12 Jan 2026, 10:00" in laptop.text_content(".notes")
    laptop.locator(".notes").get_by_role("link", name="12 Jan 2026, 10:00").click()
    laptop.wait_for_selector("text=12 Jan 2026, 08:00 to 12 Jan 2026, 12:00")
    laptop.wait_for_selector("#readings-graph .scatterlayer .point")
    no_trouble_reading(laptop)
    laptop.get_by_role("button", name=re.compile("Take away the note")).click()
    laptop.wait_for_selector(".notes", state="detached")
    assert list_notes(store, pack.id) == []


def test_a_note_is_written_from_a_page_that_is_about_no_one_pack(phone, home, store):
    add_pack(store, name="Old", rated_ah=100, cells_in_series=4, time_zone="UTC")
    pack = add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    for path in ("/", "/imports", "/settings"):
        visit(phone, home + path)
        assert phone.get_by_text("Write a note").count() == 1
    phone.get_by_text("Write a note").click()
    phone.get_by_role("textbox", name="About").click()
    phone.get_by_role("option", name="House").click()
    phone.get_by_label("What to remember").fill("pack swapped")
    phone.get_by_role("button", name="Write it down").click()
    phone.wait_for_selector("text=Written down for House.")

    assert [note.text for note in list_notes(store, pack.id)] == ["pack swapped"]
    no_trouble_reading(phone)


def test_an_import_is_undone(laptop, home, store):
    pack = add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    bring_in(laptop, home, file_of(exports.frosty_trip()))
    laptop.wait_for_selector("text=Read the receipt")
    laptop.get_by_role("link", name="Read the receipt").click()
    laptop.get_by_text("Undo this import").click()
    laptop.get_by_role("button", name="Yes, take it out").click()
    laptop.wait_for_selector("h1:text('Bring in readings')")

    assert reading_span(store, pack.id)[0] == 0
    laptop.wait_for_selector(".job >> text=Taken out again")
    no_trouble_reading(laptop)


def test_several_files_one_of_them_broken(phone, home, store):
    pack = add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    whole = exports.frosty_trip().splitlines(keepends=True)
    bring_in(
        phone,
        home,
        file_of("".join(whole[:2000]), "one.csv"),
        file_of("<html><body>Please log in</body></html>", "two.csv"),
        file_of(whole[0] + "".join(whole[1800:]), "three.csv"),
    )
    until(phone, "document.querySelectorAll('.job .mark').length === 3")
    until(phone, "!document.querySelector('#import-jobs').textContent.includes('Waiting')")
    phone.wait_for_selector(".job >> text=Not taken in")
    until(phone, "document.querySelectorAll('.job.tone-good').length === 2")

    assert reading_span(store, pack.id)[0] == len(whole) - 1
    assert "/tmp" not in phone.text_content("#import-jobs")
    no_trouble_reading(phone)


def test_the_same_file_again_changes_nothing_and_says_so(laptop, home, store):
    add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    bring_in(laptop, home, file_of(exports.frosty_trip()))
    laptop.wait_for_selector("text=It brought")
    bring_in(laptop, home, file_of(exports.frosty_trip(), "copy.csv"))

    laptop.wait_for_selector("text=This very file was here already.")


def test_settings_change_zone_and_unit_everywhere(laptop, home, store):
    add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    bring_in(laptop, home, file_of(exports.frosty_trip()))
    laptop.wait_for_selector("text=See the answers")
    visit(laptop, f"{home}/settings")
    laptop.get_by_label("Fahrenheit, °F").check()
    laptop.wait_for_selector("text=Kept.")
    laptop.get_by_role("textbox", name="Show times in").fill("Tokyo")
    laptop.get_by_role("option", name="Asia/Tokyo").click()
    until(laptop, "document.cookie.includes('Asia/Tokyo')")
    visit(laptop, f"{home}/pack/1/cold")

    words = laptop.text_content("main")
    assert "13 Jan 2026, 16:00" in words  # 08:00 in Berlin, UTC+1, is 16:00 in Tokyo, UTC+9
    assert "below 32\u00a0°F" in words
    assert "Times are shown in Asia/Tokyo" in words


def test_a_flag_that_was_seen_is_put_aside(laptop, home, store):
    add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    bring_in(laptop, home, file_of(exports.frosty_trip()))
    laptop.wait_for_selector("text=See the answers")
    visit(laptop, f"{home}/pack/1/attention")
    before = laptop.locator(".flags >> role=button[name=/I have seen it/]").count()
    assert before
    laptop.locator(".flags >> role=button[name=/I have seen it/]").first.click()
    laptop.wait_for_selector("text=Already seen")

    assert laptop.locator(".flags >> role=button[name=/I have seen it/]").count() == before - 1
    no_trouble_reading(laptop)


def test_a_phone_opens_the_questions_and_goes_to_one(phone, home, store):
    add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    bring_in(phone, home, file_of(exports.frosty_trip()))
    phone.wait_for_selector("text=See the answers")
    visit(phone, f"{home}/pack/1")
    phone.locator(".contents-narrow > summary").click()
    phone.locator(".contents-narrow").get_by_role("link", name="What drains it parked?").click()
    phone.wait_for_selector("h1:text('What drains it parked?')")

    assert not phone.locator(".contents-narrow").get_by_role("link", name="What drains it parked?").is_visible()
    no_trouble_reading(phone)


def test_a_limit_of_the_packs_own_sheet_is_written_down_and_changes_the_answer(laptop, home, store):
    add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    bring_in(laptop, home, file_of(exports.frosty_trip()))
    laptop.wait_for_selector("text=See the answers")
    visit(laptop, f"{home}/pack/1")
    assert "below 0\u00a0°C" in laptop.text_content("main")
    laptop.get_by_role("link", name="Change", exact=True).first.click()
    laptop.wait_for_selector("h1:text('Its rating and limits')")
    laptop.get_by_label("Coldest it may be charged (°C)").fill("60")
    laptop.get_by_role("button", name="Keep these details").click()
    laptop.wait_for_selector("text=must not lie above: warmest it may be charged")
    no_trouble_reading(laptop)
    laptop.get_by_label("Coldest it may be charged (°C)").fill("-10")
    laptop.get_by_role("button", name="Keep these details").click()
    laptop.wait_for_selector("text=Kept. Every answer for House follows from these details.")

    assert list_packs(store)[0].limits.charge_minimum_c == -10.0
    no_trouble_reading(laptop)
    laptop.get_by_role("link", name="Was it charged frozen?").first.click()
    laptop.wait_for_selector("text=No charging below \u221210\u00a0°C was seen in the logged time.")


def test_an_answer_in_words_is_shown_before_it_counts(laptop, home, store):
    pack = add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    bring_in(laptop, home, file_of(exports.silent_about_start()))
    laptop.wait_for_selector("text=when did it begin?")
    assert "elapsed (s),voltage (V)" in laptop.text_content("#import-jobs")  # the file as it stands
    laptop.get_by_label("Your answer").fill("2026-03-02 08:00:00")
    laptop.get_by_role("button", name="Show me first").click()
    laptop.wait_for_selector("text=2 Mar 2026, 08:02")
    no_trouble_reading(laptop)
    laptop.get_by_role("button", name="Take this answer").click()
    laptop.wait_for_selector("text=It brought 120 new readings.")

    assert reading_span(store, pack.id)[1] == 1772434800000  # 07:00 UTC


def test_columns_nobody_knows_are_named_in_the_page_on_a_phone(phone, home, store):
    pack = add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    bring_in(phone, home, file_of(exports.in_no_known_words()))
    phone.wait_for_selector("text=Not taken in")
    assert "--mapping" not in phone.text_content("#import-jobs")
    no_trouble_reading(phone)
    phone.get_by_role("button", name="Read it like this").click()
    phone.wait_for_selector("text=Say which column is the time")
    for name, words in (("zig", "Time, or its date"), ("zag", "Voltage in V"), ("zog", "Current in A")):
        phone.get_by_role("textbox", name=name, exact=True).click()
        phone.get_by_role("option", name=words, exact=True).click()
    phone.get_by_role("button", name="Read it like this").click()
    phone.wait_for_selector("text=It brought 120 new readings.")

    assert reading_span(store, pack.id)[0] == 120
    no_trouble_reading(phone)


def test_a_mapping_file_is_given_in_the_page(refused, home, store):
    laptop = refused
    add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    bring_in(laptop, home, file_of(exports.in_no_known_words()))
    laptop.wait_for_selector("[data-mapping-of] input", state="attached")
    laptop.set_input_files("[data-mapping-of] input", [file_of("[columns]\nvolts = 3", "wrong.toml")])
    laptop.wait_for_selector("text=is not a key of a mapping")
    mapping = "[time]\ncolumns = [1]\n[columns]\nvoltage_v = 2\ncurrent_a = 3\n"
    laptop.set_input_files("[data-mapping-of] input", [file_of(mapping, "right.toml")])

    laptop.wait_for_selector("text=It brought 120 new readings.")


def test_a_file_in_pieces_goes_on_after_the_connection_was_lost(refused, home, store):
    laptop = refused
    pack = add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    text = exports.frosty_trip(days=90)
    assert len(text) > PIECE_BYTES
    lost = []

    def once(route):
        if "at=0" not in route.request.url and not lost:
            lost.append(route.request.url)
            route.abort("connectionreset")
        else:
            route.continue_()

    laptop.route("**/api/v1/uploads/*", once)
    bring_in(laptop, home, file_of(text))
    laptop.wait_for_selector("text=It brought 64\u00a0800 new readings.")

    assert lost
    assert reading_span(store, pack.id)[0] == 90 * 24 * 30


def test_a_swap_is_written_down_and_imports_beyond_it_are_named(laptop, home, store):
    old = add_pack(store, name="Old", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
    bring_in(laptop, home, file_of(exports.frosty_trip()))
    laptop.wait_for_selector("text=See the answers")
    new = add_pack(store, name="New", rated_ah=120, cells_in_series=4, time_zone="Europe/Berlin")
    visit(laptop, f"{home}/pack/{old.id}/details")
    laptop.get_by_text("Write a swap down").click()
    laptop.get_by_role("button", name="Write the swap down").click()
    laptop.wait_for_selector("text=Choose the other pack.")
    laptop.get_by_role("textbox", name="The pack that took its place").click()
    laptop.get_by_role("option", name="New").click()
    laptop.get_by_label("When", exact=True).fill("2026-01-12T12:00")
    laptop.get_by_role("button", name="Write the swap down").click()
    laptop.wait_for_selector("text=Written down in the notes of Old and New.")

    assert [note.text for note in list_notes(store, new.id)] == ['pack swapped in for "Old"']
    laptop.wait_for_selector("text=These imports hold readings of the other pack's time.")
    no_trouble_reading(laptop)
