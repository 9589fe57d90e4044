from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from tests.cli.healths import empty_health, full_health
from tests.cli.test_imports import bring, export

SCHEMA = json.loads((Path(__file__).parents[1] / "contract" / "health-report.schema.json").read_text("utf-8"))
CONTRACT = jsonschema.Draft202012Validator(SCHEMA, format_checker=jsonschema.FormatChecker())


def test_the_contract_is_a_sound_schema():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("health", [full_health(), empty_health()], ids=["full", "empty"])
def test_any_answer_fits_the_contract(health):
    document = json.loads(json.dumps(health.as_json(), allow_nan=False))

    CONTRACT.validate(document)


def test_a_missing_key_breaks_the_contract():
    document = full_health().as_json()
    del document["capacity"]["verdict"]

    assert not CONTRACT.is_valid(document)


def test_json_of_a_pack_without_readings_fits_the_contract(house):
    told = house("health", "House battery", "--json")

    document = json.loads(told.out)
    CONTRACT.validate(document)
    assert told.code == 0
    assert document["readings"]["count"] == 0
    assert document["capacity"]["verdict"] == "undetermined"


def test_json_of_a_trip_fits_the_contract_and_finds_the_cold_charge(house, tmp_path):
    """20 A for 20 min at -2 °C: 6.3 to 6.7 Ah by the two ways of counting the ends."""
    bring(house, export(tmp_path / "trip.csv"))

    document = json.loads(house("health", "--json").out)

    CONTRACT.validate(document)
    assert document["readings"]["count"] == 30
    assert document["readings"]["first"] == "2026-02-07T06:00:00Z"
    (event,) = document["cold_charging"]["events"]
    assert event["start"] == "2026-02-07T06:10:00Z"
    assert event["max_current_a"] == pytest.approx(20.0)
    assert 6.3 <= event["charge_ah"] <= 6.7


def test_wherever_an_estimate_is_null_a_reason_is_given(house, tmp_path):
    bring(house, export(tmp_path / "trip.csv"))

    document = json.loads(house("health", "--json").out)

    for part in ("capacity", "fade", "idle", "resistance", "monitor"):
        values = document[part]
        if any(value is None for key, value in values.items() if key not in {"reason", "soc_assumes_rated_capacity"}):
            assert values["reason"], part


def test_in_words_capacity_comes_first_and_cautions_last(house, tmp_path):
    bring(house, export(tmp_path / "trip.csv"))

    told = house("health")

    lines = [line for line in told.out.splitlines() if line.strip()]
    assert lines[1] == "Does it still deliver its rated amp-hours?"
    assert lines[2].startswith("  Cannot tell yet whether it delivers its rated 100 Ah.")
    assert "Yes, once:" in told.out
    assert "no inspection, certificate or design" in " ".join(told.out.split())


def test_several_packs_are_answered_in_turn_but_json_needs_a_name(house):
    house("pack", "add", "Second", "--rated-ah", "50", "--cells", "4")

    assert "Second: 50 Ah" in house("health").out
    told = house("health", "--json")

    assert told.code == 65
    assert told.out == ""


def test_an_empty_logbook_says_how_to_begin(run):
    told = run("health")

    assert told.code == 65
    assert "logbook pack add" in told.err


def test_json_tells_what_the_status_word_said_and_what_does_not_count(house, tmp_path):
    """A trip of a surge between two samples, told by word alone; then a word of cold in a warm pack."""
    lines = ["Time,Voltage (V),Current (A),Temperature (°C),SoC (%),Status"]
    for minute in range(120):
        amps, word = (0.0, "Short circuit protection") if 40 <= minute < 50 else (-8.0, "Discharging")
        word = "Charge under-temperature protection" if 80 <= minute < 85 else word
        lines.append(
            f"2026-02-07 {6 + minute // 60:02}:{minute % 60:02}:00,{13.2 + amps / 400:.2f},{amps},21.5,{71 - minute // 15},{word}"
        )
    (tmp_path / "words.csv").write_text("\n".join(lines), "utf-8")
    bring(house, tmp_path / "words.csv")

    document = json.loads(house("health", "--json").out)

    CONTRACT.validate(document)
    (event,) = document["protection"]["events"]
    assert (event["kind"], event["source"], event["cause"]) == ("over_current", "status_word", "over_current")
    assert (event["start"], event["end"]) == ("2026-02-07T06:40:00Z", "2026-02-07T06:50:00Z")
    assert "of cold once" in document["protection"]["reason"]
    told = " ".join(house("health").out.split())
    assert "Opened because the current was too high: once, on 7 Feb 2026, 06:40. So as its status word said." in told
    assert "of cold once although the temperature speaks against it: that is not counted." in told
