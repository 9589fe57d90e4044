"""Every page answers on an empty, a nearly empty and a full logbook, and says so in words."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from logbook.dashboard import PAGES, create_app, parts
from logbook.dashboard.view import View
from logbook.dashboard.wording import capacity_answer, coverage_sentence, idle_answer
from logbook.errors import BadConfiguration
from logbook.schema.estimate import Estimate
from logbook.schema.health import Basis, Protection, ProtectionEvent
from tests.dashboard import samples
from tests.dashboard.asking import asked, text_of
from tests.dashboard.conftest import answers_from


def test_pages_have_unique_names_and_addresses():
    assert len({page.name for page in PAGES}) == len(PAGES)
    assert len({page.path for page in PAGES}) == len(PAGES)


def test_an_empty_logbook_says_how_to_begin(empty_answers):
    words = text_of(asked(create_app(empty_answers), "/"))

    assert "No pack is in this logbook yet." in words
    assert "logbook pack add" in words
    assert "logbook import trip.csv --pack" in words


def test_the_overview_names_each_pack_with_its_answer(full_app):
    words = text_of(asked(full_app, "/"))

    for health in samples.TABLE.values():
        assert health.pack.name in words
    assert "Not quite. It delivers 90 Ah of its rated 100 Ah." in words
    assert "It has delivered at least 61 Ah." in words
    assert "Severe charging below 0 °C on 3 Feb 2026." in words


@pytest.mark.parametrize("path", [page.path for page in PAGES if "<import>" not in page.path])
@pytest.mark.parametrize("number", samples.TABLE)
def test_every_page_renders_for_every_pack(full_app, path, number):
    words = text_of(asked(full_app, path.replace("<pack>", str(number))))

    assert "could not be made" not in words
    assert "Not found" not in words


@pytest.mark.parametrize("path", [page.path for page in PAGES])
def test_every_page_on_an_empty_logbook_leads_on(empty_answers, path):
    words = text_of(asked(create_app(empty_answers), path.replace("<pack>", "1").replace("<import>", "1")))

    assert "could not be made" not in words
    assert "There is no such" in words if "<" in path else words


def test_the_pack_page_answers_before_it_shows(full_app):
    words = text_of(asked(full_app, "/pack/1"))

    assert words.index("It delivers 90 Ah") < words.index("What it has delivered")
    assert "between 88 and 92 Ah, with 90 % confidence" in words
    assert "Yes, 5 times. 38 Ah went in while the cells were below 0 °C." in words
    assert "Parked, it loses about 2.7 Ah a day." in words  # 0.11 A * 24 h + 2.8 % of 100 Ah / 30 d
    assert "1 thing to act on, 1 to look at." in words
    assert "45 % of that time is logged" in words


def test_a_lower_bound_comes_with_what_would_settle_it(full_app):
    words = text_of(asked(full_app, "/pack/3"))

    assert "at least 61 Ah" in words
    assert "One run at about 20 A from full until the knee would settle it." in words


def test_a_pack_without_readings_says_how_to_get_them(full_app):
    assert f'logbook import trip.csv --pack "{samples.nothing().pack.name}"' in text_of(asked(full_app, "/pack/4"))


def test_one_reading_is_not_an_answer(full_app):
    words = text_of(asked(full_app, "/pack/5"))

    assert "The log cannot tell yet what this pack delivers." in words
    assert "Add a temperature sensor on the cells." in words


def test_times_follow_the_zone_of_the_pack_unless_the_reader_chose_another(full_app):
    in_winter_one_hour_east_of_utc = "3 Feb 2026, 08:20"

    assert in_winter_one_hour_east_of_utc in text_of(asked(full_app, "/pack/1/cold"))
    assert "3 Feb 2026, 07:20" in text_of(asked(full_app, "/pack/1/cold", cookies={"logbook-zone": "UTC"}))
    assert in_winter_one_hour_east_of_utc in text_of(
        asked(full_app, "/pack/1/cold", cookies={"logbook-zone": "No/Where"})
    )


def test_temperatures_follow_the_unit_the_reader_chose(full_app):
    words = text_of(asked(full_app, "/pack/1/cold", cookies={"logbook-temperature": "F"}))

    assert "below 32 °F" in words
    assert "11.8 °F" in words  # -11.2 °C


def test_an_unknown_address_or_pack_is_told(full_app):
    assert "There is no page at this address." in text_of(asked(full_app, "/nowhere"))
    assert "There is no such pack in this logbook." in text_of(asked(full_app, "/pack/99"))
    assert "There is no page at this address." in text_of(asked(full_app, "/pack/House"))


def test_an_error_says_nothing_of_paths(full_answers):
    def broken(_pack):
        raise BadConfiguration("The logbook is of a newer version.", where="/home/someone/logbook.sqlite3")

    def bug(_pack):
        raise RuntimeError("/home/someone/secret")

    for health, expected in ((broken, "The logbook is of a newer version."), (bug, "Something went wrong here.")):
        words = text_of(asked(create_app(replace(full_answers, health=health)), "/pack/1"))

        assert expected in words
        assert "/home" not in words


def test_two_apps_in_one_process_keep_to_their_own_logbook(full_answers, empty_answers):
    first, second = create_app(full_answers), create_app(empty_answers)

    assert "House" in text_of(asked(first, "/"))
    assert "No pack is in this logbook yet." in text_of(asked(second, "/"))


def test_text_of_the_owner_stays_text():
    nasty = "<img src=x onerror=alert(1)>"
    health = replace(samples.full(), pack=replace(samples.full().pack, name=nasty))

    page = asked(create_app(answers_from({1: health})), "/pack/1")

    assert nasty in text_of(page)  # handed over as a child, which the browser escapes


def test_a_callback_that_fails_says_so_without_a_path(full_answers):
    def broken(*_):
        raise BadConfiguration("The logbook is of a newer version.", where="/home/someone/logbook.sqlite3")

    app = create_app(replace(full_answers, window=broken))
    answer = app.server.test_client().post(
        "/_dash-update-component",
        json={
            "output": "..readings-graph.figure...readings-said.children...readings-save.href...readings-from.value...readings-to.value..",
            "outputs": [
                {"id": f"readings-{name}", "property": prop}
                for name, prop in (
                    ("graph", "figure"),
                    ("said", "children"),
                    ("save", "href"),
                    ("from", "value"),
                    ("to", "value"),
                )
            ],
            "inputs": [
                {"id": "readings-view", "property": "data", "value": {"start": 0, "end": 9, "first": 0, "last": 9}}
            ],
            "state": [{"id": "readings-pack", "property": "value", "value": "1"}],
            "changedPropIds": ["readings-view.data"],
        },
    )

    assert "The logbook is of a newer version." in answer.text
    assert "/home" not in answer.text


def test_what_came_before_an_opening_is_shown_with_its_lowest_cell(full_app):
    words = text_of(asked(full_app, "/pack/1/use"))

    assert "Before 4 Jun 2025, 03:00: opened because a cell ran low" in words
    assert "10.40 V −8.4 A 21.5 °C 7 % 2.520 V" in words
    assert (
        "At full they are 0.04 V apart (between 0.02 and 0.07 V, 12 days); cell 3 mostly reaches full first." in words
    )
    assert "Will it carry a load?" in words


def test_a_heater_is_told_apart_from_charging(full_app):
    assert "It ran 3 times; 6.2 Ah went into it instead of the cells" in text_of(asked(full_app, "/pack/1/cold"))


@pytest.mark.parametrize(("days", "verdict"), [(26.3, "Drains fast"), (61.0, "Drains slowly")])
def test_two_months_from_full_to_a_fifth_divide_fast_from_slow(days, verdict):
    health = samples.full()
    idle = replace(health.idle, days_full_to_fifth=Estimate(days, days - 2, days + 2))

    assert idle_answer(replace(health, idle=idle)).verdict == verdict


def test_one_reading_is_one_reading(full_app):
    assert "1 readings" not in text_of(asked(full_app, "/pack/5"))


@pytest.mark.parametrize(
    ("logged_hours", "said"), [(0.0, "The log cannot tell how it was used."), (80.0, "it was hardly used")]
)
def test_no_use_is_said_in_words_and_only_where_use_would_have_shown(logged_hours, said):
    health = samples.one_reading()
    health = replace(health, readings=replace(health.readings, count=960, logged_hours=logged_hours))

    words = text_of(asked(create_app(answers_from({1: health})), "/pack/1/use"))

    assert said in words
    assert ("Time where packs age" in words) is (logged_hours > 0)


@pytest.mark.parametrize("number", [1, 3])
def test_no_sentence_stands_twice_on_the_first_page(full_app, number):
    words = text_of(asked(full_app, f"/pack/{number}"))
    sentences = [part for part in re.split(r"(?<=[.?])\s+", words) if part.endswith(".")]

    assert [part for part in sentences if sentences.count(part) > 1] == []


@pytest.mark.parametrize(("used", "left_out"), [((True, True), False), ((True, False), True)])
def test_the_key_of_a_chart_names_only_what_is_drawn(used, left_out):
    health = samples.full()
    entries = tuple(replace(item, used=use) for item, use in zip(health.capacity.observations, used, strict=False))
    health = replace(health, capacity=replace(health.capacity, observations=entries))

    words = text_of(asked(create_app(answers_from({1: health})), "/pack/1/capacity"))

    assert ("left out of the answer, with a reason" in words) is left_out


def test_a_log_without_a_pause_names_none(full_app):
    health = samples.full()
    whole = replace(health, readings=replace(health.readings, unlogged_hours=0.0))

    for told, named in ((health, True), (whole, False)):
        app = create_app(answers_from({1: told}))
        assert all(("not logged" in text_of(asked(app, f"/pack/1/{page}"))) is named for page in ("capacity", "cold"))


def test_refusals_in_the_cold_are_not_called_openings():
    health = samples.full()
    start = samples.ms("2026-02-05T08:00")
    refusal = ProtectionEvent(start, start + 1000, "charge_blocked_cold")
    both = replace(health, protection=Protection((*health.protection.events, refusal)))

    words = text_of(asked(create_app(answers_from({1: both})), "/pack/1/use"))

    assert "It opened 2 times and refused a charge in the cold once in the logged time." in words


def test_a_thousand_events_make_a_page_of_bounded_size_and_the_file_has_them_all():
    health = samples.full()
    many = tuple(
        replace(samples.EVENTS[0], start_ms=samples.EVENTS[0].start_ms + place * 86_400_000) for place in range(1000)
    )
    app = create_app(answers_from({1: replace(health, cold_charging=replace(health.cold_charging, events=many))}))

    words = text_of(asked(app, "/pack/1/cold"))

    assert "The newest 40 of 1 000 as a table" in words
    assert words.count("Slight") <= 41
    assert len(app.server.test_client().get("/api/v1/packs/1/cold.csv").text.splitlines()) == 1001


@pytest.mark.parametrize("path", ["/imports", "/settings"])
def test_pages_about_no_pack_wait_for_no_answer(full_answers, path):
    """While a long log is taken in, its answers may take a while; these pages must not."""

    def never(_pack):
        raise RuntimeError("an answer was asked for")

    words = text_of(asked(create_app(replace(full_answers, health=never)), path))

    assert "Write a note" in words
    assert "could not be made" not in words


def test_a_page_that_cannot_be_made_says_so_in_sentences(full_answers):
    def damaged(_pack):
        raise BadConfiguration("the logbook's file is damaged.", where="/home/me/x.sqlite3", mend="Restore a backup.")

    words = text_of(asked(create_app(replace(full_answers, health=damaged)), "/pack/1"))

    assert "Not done The logbook's file is damaged. Restore a backup." in words
    assert "/home/me" not in words


def test_what_it_draws_parked_is_written_as_finely_as_its_interval():
    health = samples.full()
    draw = Estimate(0.0035, -0.001, 0.016)
    told = idle_answer(replace(health, idle=replace(health.idle, standby_current_a=draw)))

    assert "0.004\u00a0A (between \u22120.001 and 0.016\u00a0A), 0.1 Ah a day" in told.detail


def test_a_picture_that_cannot_be_drawn_leaves_bare_paper(full_app):
    """Else the browser draws axes of its own, on white."""
    (graph,) = graphs_in(asked(full_app, "/pack/1/readings"))

    layout = graph["figure"]["layout"]
    assert not layout["xaxis"]["visible"]
    assert not layout["yaxis"]["visible"]
    assert layout["paper_bgcolor"] == "rgba(0,0,0,0)"


def graphs_in(node):
    """Properties of the charts of a page."""
    if isinstance(node, list):
        return [found for each in node for found in graphs_in(each)]
    if not isinstance(node, dict):
        return []
    if node.get("type") == "Graph":
        return [node["props"]]
    return graphs_in(node.get("props", {}).get("children"))


def test_an_answer_says_how_much_of_the_time_it_saw(full_app):
    note = "A kettle of three minutes may not be in it."
    health = samples.full()
    health = replace(health, cycles=replace(health.cycles, basis=Basis(0.449, 300.0, note)))

    words = text_of(asked(create_app(answers_from({1: health})), "/pack/1/use"))

    assert f"This answer saw 45 % of the time from the first to the last reading, 5 min apart. {note}" in words
    assert "This answer saw" not in text_of(asked(full_app, "/pack/1/use"))


def test_the_overview_is_told_on_the_clock_of_each_pack():
    late = samples.full()
    late = replace(late, readings=replace(late.readings, first_ms=samples.ms("2025-01-10T02:00")))
    packs = [samples.pack(1, "Here", zone="Europe/Berlin"), samples.pack(2, "There", zone="America/Denver")]
    answers = replace(answers_from({1: late, 2: late}), packs=lambda: packs)

    words = text_of(asked(create_app(answers), "/"))

    assert "readings, 10 Jan 2025" in words
    assert "readings, 9 Jan 2025" in words


@pytest.mark.parametrize(
    ("logged", "unlogged", "said"),
    [
        (10.0, 0.0, "logged throughout."),
        (1000.0, 1.0, "Nearly all of that time is logged; the rest is unknown"),
        (30.0, 70.0, "30 % of that time is logged; the rest is unknown"),
        (0.0, 80.0, "None of that time counts as logged"),
    ],
)
def test_what_was_logged_is_said_without_contradiction(logged, unlogged, said):
    readings = replace(samples.full().readings, logged_hours=logged, unlogged_hours=unlogged)

    assert said in coverage_sentence(readings, View())


def test_a_bound_is_as_fine_as_its_reason():
    capacity = replace(samples.bound().capacity, at_least_ah=15.5)

    assert "at least 15.5\u00a0Ah" in capacity_answer(replace(samples.bound(), capacity=capacity)).sentence


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (Estimate(6.2, 4.9, 7.6), "it shows 6 points too high (between 5 and 8 points, 90 % confidence)"),
        (Estimate(-6.2, -7.6, -4.9), "it shows 6 points too low (between 5 and 8 points, 90 % confidence)"),
        (
            Estimate(1.2, -0.2, 2.7),
            "it is right, as far as the log can tell: its error lies between \u22120 and 3 points",
        ),
    ],
)
def test_how_far_the_percentage_is_off_counts_the_way_it_is_off(error, said):
    health = samples.full()
    health = replace(health, monitor=replace(health.monitor, soc_error_percent=error))

    words = text_of(asked(create_app(answers_from({1: health})), "/pack/1/monitor"))

    assert said.replace("\u22120", "0") in words.replace("\u00a0", " ")


def test_a_sensor_that_reads_too_low_has_an_interval_that_way_too():
    health = samples.full()
    low = replace(health.monitor, current_offset_a=Estimate(-0.065, -0.085, -0.044))

    words = text_of(asked(create_app(answers_from({1: replace(health, monitor=low)})), "/pack/1/monitor"))

    assert "Every reading is 0.07 A too low (between 0.04 and 0.09 A, 90 % confidence)" in words.replace("\u00a0", " ")


def test_a_flag_says_from_which_day_to_which():
    health = samples.full()
    flag = replace(health.flags[0], start_ms=samples.ms("2025-01-12T07:40"), end_ms=samples.ms("2026-02-04T07:45"))

    words = text_of(asked(create_app(answers_from({1: replace(health, flags=(flag,))})), "/pack/1/attention"))

    assert "12 Jan 2025 to 4 Feb 2026" in words


@pytest.mark.parametrize(("interval_s", "reminded"), [(1.0, False), (30.0, True), (None, False)])
def test_a_coarse_log_says_what_openings_it_may_have_missed(interval_s, reminded):
    health = samples.full()
    health = replace(health, readings=replace(health.readings, interval_s=interval_s))

    for protection in (health.protection, Protection(())):
        app = create_app(answers_from({1: replace(health, protection=protection)}))
        assert ("between two readings may have passed unseen" in text_of(asked(app, "/pack/1/use"))) is reminded


@pytest.mark.parametrize(
    ("rise", "said"),
    [
        (Estimate(3.1, -0.6, 6.8), "It cannot be told yet whether it changes: between −1 and 7 % a year."),
        (Estimate(3.1, 1.1, 5.1), "It changes by 3 % a year (between 1 and 5 %)."),
    ],
)
def test_a_resistance_that_may_stand_still_is_not_called_changing(rise, said):
    health = samples.full()
    health = replace(health, resistance=replace(health.resistance, percent_per_year=rise))

    assert said in text_of(asked(create_app(answers_from({1: health})), "/pack/1/use")).replace("\u00a0", " ")


def test_a_note_written_anywhere_begins_now_on_the_clock_of_the_pack_it_is_about(full_answers):
    packs = [samples.pack(1, "Here", zone="Asia/Tokyo"), samples.pack(2, "There", zone="America/Denver")]
    page = asked(create_app(replace(full_answers, packs=lambda: packs)), "/settings")

    (offered,) = re.findall(r'"id": "note-when".*?"value": "([^"]+)"', json.dumps(page, sort_keys=True))

    began = datetime.fromisoformat(offered).replace(tzinfo=ZoneInfo("America/Denver"))
    assert abs(datetime.now(UTC) - began) < timedelta(hours=1)


def test_no_option_of_a_command_is_torn_apart():
    pieces = parts.command('logbook pack add "House" --rated-ah 100 --cells 4').children.children

    assert [piece.children for piece in pieces if not isinstance(piece, str)] == ["--rated-ah", "--cells"]
    assert "".join(piece if isinstance(piece, str) else piece.children for piece in pieces) == (
        'logbook pack add "House" --rated-ah 100 --cells 4'
    )
