"""The eight practice cases, from file to answer, against what was put into them.

Invented data with a known truth (a circuit simulation); tolerances are the project's stated aims.
"""

from __future__ import annotations

import json
from datetime import datetime

import jsonschema
import numpy as np
import pytest

from logbook.cli import main
from logbook.ingest import ImportOptions, read_export

NAMES = (
    "p1-weekend-healthy",
    "p2-fulltime-worn",
    "p3-never-deep",
    "p4-cold-no-cutoff",
    "p5-cold-with-cutoff",
    "p6-parked-always-logged",
    "p7-sudden-loss",
    "p8-small-pack-surge",
)
RUN_TO_EMPTY = tuple(name for name in NAMES if name[:2] in {"p1", "p2", "p4", "p5", "p7", "p8"})


def held(estimate, truth: float) -> bool:
    return estimate is not None and estimate["low"] <= truth <= estimate["high"]


def true_verdict(share: float) -> str:
    return "meets_rating" if share >= 0.95 else "reduced" if share >= 0.8 else "end_of_life"


def epoch(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def test_every_case_there_is_gets_judged(cases):
    assert tuple(cases) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_every_row_arrives(cases, name):
    told = cases[name]

    assert told.receipt.rows_read == told.listed["rows"]
    assert told.receipt.rows_stored + told.receipt.rows_set_aside == told.listed["rows"]
    # A clock that is set back an hour in autumn cannot always tell the two passes apart: at most those may wait.
    assert told.receipt.rows_set_aside <= 240
    assert told.document["readings"]["count"] == told.receipt.rows_stored


@pytest.mark.parametrize("name", NAMES)
def test_the_report_keeps_its_contract(cases, shared, name):
    schema = json.loads((shared / "contract" / "health-report.schema.json").read_text("utf-8"))
    checker = jsonschema.Draft202012Validator(schema, format_checker=jsonschema.FormatChecker())

    assert [error.message for error in checker.iter_errors(cases[name].document)] == []


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_withheld_without_a_reason(cases, name):
    document = cases[name].document
    estimates = {
        "capacity": ("ah",),
        "fade": ("percent_of_rated_per_year",),
        "idle": ("self_discharge_percent_per_month", "standby_current_a"),
        "resistance": ("milliohm_25c", "percent_per_year"),
        "monitor": ("current_offset_a", "soc_error_percent"),
    }
    for part, keys in estimates.items():
        if any(document[part][key] is None for key in keys):
            assert document[part]["reason"], f"{part} withholds a number and does not say why"


@pytest.mark.parametrize("name", RUN_TO_EMPTY)
def test_capacity_of_a_pack_run_to_empty(cases, name):
    told = cases[name]
    truth = told.truth["capacity_ah_end"]
    found = told.document["capacity"]["ah"]

    assert found["value"] == pytest.approx(truth, abs=0.03 * told.rated_ah)
    assert held(found, truth)
    assert found["high"] - found["low"] <= 0.08 * told.rated_ah


def test_a_pack_never_run_down_gets_no_confident_number(cases):
    told = cases["p3-never-deep"].document["capacity"]
    truth = cases["p3-never-deep"].truth["capacity_ah_end"]

    assert told["verdict"] == "undetermined" or held(told["ah"], truth)
    # At least what it gave on its deepest day, and never more than is there.
    assert told["at_least_ah"] <= cases["p3-never-deep"].truth["capacity_ah_start"]


@pytest.mark.parametrize("name", NAMES)
def test_no_verdict_is_confident_and_wrong(cases, name):
    told = cases[name]

    allowed = {"undetermined", true_verdict(told.truth["capacity_ah_end"] / told.rated_ah)}
    assert told.document["capacity"]["verdict"] in allowed


@pytest.mark.parametrize("name", NAMES)
def test_frozen_charging_is_found_and_none_invented(cases, name):
    told = cases[name]
    spans = told.truth["cold_charging"]
    events = [(epoch(event["start"]), epoch(event["end"])) for event in told.document["cold_charging"]["events"]]

    due = [span for span in spans if span["logged"] and span["tmin"] <= -1.0]
    found = [span for span in due if any(start <= span["end"] and end >= span["start"] for start, end in events)]
    invented = [
        event
        for event in events
        if not any(event[0] <= span["end"] + 1800 and event[1] >= span["start"] - 1800 for span in spans)
    ]
    assert len(found) >= 0.95 * len(due)
    assert len(invented) <= 0.02 * len(events)


def test_the_amount_charged_frozen(cases):
    """Spans wholly in the log, two samples or more, well below freezing: their Ah within 5 % in sum."""
    told = cases["p4-cold-no-cutoff"]
    events = told.document["cold_charging"]["events"]
    truth_ah = counted_ah = 0.0
    for span in told.truth["cold_charging"]:
        mates = [
            event for event in events if epoch(event["start"]) <= span["end"] and epoch(event["end"]) >= span["start"]
        ]
        alone = [event for event in mates if sum(_meets(event, other) for other in told.truth["cold_charging"]) == 1]
        whole = (
            mates and epoch(mates[0]["start"]) - span["start"] < 1800 and span["end"] - epoch(mates[-1]["end"]) < 1800
        )
        if span["logged"] and span["tmin"] <= -1.0 and mates == alone and whole:
            truth_ah += span["ah"]
            counted_ah += sum(event["charge_ah"] for event in mates)

    assert truth_ah > 100.0
    assert counted_ah == pytest.approx(truth_ah, rel=0.05)


def _meets(event, span) -> bool:
    return epoch(event["start"]) <= span["end"] and epoch(event["end"]) >= span["start"]


@pytest.mark.parametrize("name", NAMES)
def test_equivalent_full_cycles(cases, name):
    truth = cases[name].truth["equivalent_full_cycles_logged"]

    assert cases[name].document["cycles"]["equivalent_full_cycles"] == pytest.approx(truth, rel=0.015)


def test_the_sensors_offset(cases):
    found = {name: told.document["monitor"]["current_offset_a"] for name, told in cases.items()}
    errors = [abs(found[name]["value"] - told.truth["current_offset_a"]) for name, told in cases.items()]
    inside = sum(held(found[name], told.truth["current_offset_a"]) for name, told in cases.items())

    assert np.median(errors) <= 0.03
    # Of eight 90 % intervals, fewer than six hold the truth in one run of 200: binomial.
    assert inside >= 6


@pytest.mark.parametrize("name", NAMES)
def test_the_percentage_is_known_to_be_a_count(cases, name):
    assert cases[name].document["monitor"]["soc_assumes_rated_capacity"] is not False


@pytest.mark.parametrize("name", NAMES)
def test_a_sudden_loss_is_found_where_there_is_one(cases, name):
    told = cases[name]
    losses = told.document["fade"]["sudden_losses"]

    if name != "p7-sudden-loss":
        assert losses == []
        return
    (loss,) = losses
    gone = told.truth["capacity_ah_start"] - told.truth["capacity_ah_end"]
    # The truth gives the whole year's loss, 1.5 to 2.1 Ah of it gradual as in its healthy sisters.
    assert loss["ah_lost"]["value"] == pytest.approx(gone - 2.0, abs=0.04 * told.rated_ah)


def test_what_goes_unseen_while_parked(cases):
    told = cases["p6-parked-always-logged"]
    truth = told.truth["unseen_loss_percent_per_month"]
    found = told.document["idle"]["self_discharge_percent_per_month"]

    assert found["value"] == pytest.approx(truth, rel=0.15)
    assert held(found, truth)


@pytest.mark.parametrize("name", NAMES)
def test_resistance_is_right_or_refused(cases, name):
    found = cases[name].document["resistance"]["milliohm_25c"]

    if found is None:
        assert cases[name].document["resistance"]["reason"]
    else:
        assert found["value"] == pytest.approx(cases[name].truth["pack_resistance_milliohm_25c"], rel=0.15)


@pytest.mark.parametrize("name", NAMES)
def test_the_sign_is_found_without_being_told(cases, shared, name):
    listed = cases[name].listed
    options = ImportOptions(time_zone=listed["timezone"], rated_ah=cases[name].rated_ah, cells_in_series=4)

    recording = read_export(shared / "cases" / listed["file"], options)

    answers = {inference.question: inference.answer for inference in recording.receipt.inferences}
    net = np.nansum(np.where(recording.readings.voltage_v > 14.0, recording.readings.current_a, 0.0))
    assert net > 0, f"charging came out negative; inferred: {answers}"


def test_the_command_line_tells_the_same(cases, shared, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("LOGBOOK_DB", str(tmp_path / "logbook.sqlite3"))
    told = cases["p8-small-pack-surge"]

    def run(*arguments: str) -> str:
        with pytest.raises(SystemExit) as ended:
            main(arguments)
        assert ended.value.code == 0
        return capsys.readouterr().out

    run("pack", "add", told.name, "--rated-ah", "50", "--cells", "4")
    file = str(shared / "cases" / told.listed["file"])
    run("import", file, "--pack", told.name, "--timezone", told.listed["timezone"], "--positive", "charge")
    document = json.loads(run("health", told.name, "--json"))

    assert document == told.document


@pytest.mark.parametrize("name", NAMES)
def test_every_cut_off_at_an_empty_cell_is_told_and_none_invented(cases, name):
    """In the fifth case some fell between trips, when nothing was logged."""
    told = sum(event["kind"] == "under_voltage" for event in cases[name].document["protection"]["events"])
    truth = cases[name].truth["under_voltage_cutoffs"]

    assert told == truth or (name == "p5-cold-with-cutoff" and 0.6 * truth <= told < truth)
