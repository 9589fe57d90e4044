"""Flags: what the owner should look at, from finished answers."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from logbook.analysis.answer import answer
from logbook.analysis.digest import digest
from logbook.analysis.flags import flags
from logbook.schema.estimate import Estimate
from logbook.schema.health import Cells, ColdChargeEvent, ProtectionEvent, SuddenLoss
from logbook.schema.pack import Limits
from logbook.schema.reading import Readings
from tests.analysis.timeline import PACK, START_MS, Timeline

HOUR_MS = 3_600_000


@pytest.fixture(scope="module")
def quiet():
    """The health of a pack with nothing to say about: a good capacity, no event."""
    log = Timeline(soc=0.6, capacity_ah=100.0)
    for _ in range(2):
        log.charge_full().run_empty().charge_full().flow(-8.0, 6).flow(-0.2, 160)
    return replace(answer(digest(log.readings(), PACK), PACK), flags=())


def codes(health) -> dict[str, str]:
    return {flag.code: flag.severity for flag in flags(health, frozenset(), PACK.limits)}


def frost(severity):
    return ColdChargeEvent(START_MS, START_MS + HOUR_MS, 3600.0, 8.0, -6.0, 9.0, severity)


def with_part(health, part, **changes):
    return replace(health, **{part: replace(getattr(health, part), **changes)})


def test_a_pack_in_good_health_raises_no_alarm(quiet):
    assert "act" not in codes(quiet).values()
    assert not {"below_rating", "end_of_life", "sudden_loss", "charged_frozen", "sensor_offset"} & set(codes(quiet))


@pytest.mark.parametrize(("worst", "severity"), [("severe", "act"), ("marked", "look"), ("slight", "info")])
def test_cold_charging_is_flagged_as_gravely_as_its_worst_event(quiet, worst, severity):
    frozen = with_part(quiet, "cold_charging", events=(frost("slight"), frost(worst)), total_charge_ah=16.0)

    assert codes(frozen)["charged_frozen"] == severity


def test_cold_charging_is_called_exposure_never_damage(quiet):
    frozen = with_part(quiet, "cold_charging", events=(frost("severe"),), total_charge_ah=8.0)

    flag = next(flag for flag in flags(frozen, frozenset(), PACK.limits) if flag.code == "charged_frozen")

    assert "exposure, not damage" in flag.advice
    assert "sheet" in flag.advice
    assert (flag.start_ms, flag.end_ms) == (START_MS, START_MS + HOUR_MS)


def test_a_sudden_loss_is_something_to_act_on(quiet):
    lost = with_part(quiet, "fade", sudden_losses=(SuddenLoss(START_MS, Estimate(14.0, 11.0, 17.0)),))

    flag = next(flag for flag in flags(lost, frozenset(), PACK.limits) if flag.code == "sudden_loss")

    assert flag.severity == "act"
    assert "14 Ah" in flag.message
    assert "do not open it" in flag.advice


@pytest.mark.parametrize(
    ("verdict", "value", "code"), [("reduced", 0.88, "below_rating"), ("end_of_life", 0.7, "end_of_life")]
)
def test_a_worn_pack_is_flagged_by_its_verdict(quiet, verdict, value, code):
    estimate = Estimate(value, value - 0.02, value + 0.02)

    worn = with_part(quiet, "capacity", state_of_health=estimate, ah=estimate.scaled(100), verdict=verdict)

    assert code in codes(worn)


def test_an_undetermined_capacity_is_told_with_what_would_settle_it(quiet):
    unknown = with_part(
        quiet, "capacity", state_of_health=None, ah=None, verdict="undetermined", reason="Run it from full to empty."
    )

    flag = next(flag for flag in flags(unknown, frozenset(), PACK.limits) if flag.code == "capacity_unknown")

    assert flag.severity == "info"
    assert flag.advice == "Run it from full to empty."


@pytest.mark.parametrize(
    ("offset", "raised"),
    [
        (Estimate(0.08, 0.06, 0.10), True),
        (Estimate(-0.08, -0.10, -0.06), True),
        (Estimate(0.08, -0.01, 0.17), False),
        (Estimate(0.01, 0.005, 0.015), False),
        (None, False),
    ],
)
def test_an_offset_is_flagged_when_it_matters_and_is_beyond_doubt(quiet, offset, raised):
    assert ("sensor_offset" in codes(with_part(quiet, "monitor", current_offset_a=offset))) is raised


@pytest.mark.parametrize(
    ("error", "raised"), [(Estimate(12.0, 9.0, 15.0), True), (Estimate(12.0, -1.0, 25.0), False), (None, False)]
)
def test_a_percentage_is_flagged_when_it_is_off_beyond_doubt(quiet, error, raised):
    assert ("percentage_off" in codes(with_part(quiet, "monitor", soc_error_percent=error))) is raised


def test_a_pack_often_run_flat_is_flagged_and_nobody_told_to_bypass_the_board(quiet):
    cut = ProtectionEvent(START_MS, START_MS + HOUR_MS, "under_voltage")

    flat = with_part(quiet, "protection", events=(cut,) * 5)

    flag = next(flag for flag in flags(flat, frozenset(), PACK.limits) if flag.code == "run_flat")
    assert "Never bypass" in flag.advice
    assert "run_flat" not in codes(with_part(quiet, "protection", events=(cut,)))


def test_a_standby_draw_worth_knowing_is_flagged_with_the_days_it_takes(quiet):
    """0.25 A from full to a fifth of 100 Ah: 80 Ah / 6 Ah a day is 13 days."""
    drawing = with_part(quiet, "idle", standby_current_a=Estimate(0.25, 0.2, 0.3), days_full_to_fifth=None)
    told = with_part(drawing, "idle", days_full_to_fifth=Estimate(11.2, 10.0, 12.5))

    messages = [
        next(flag for flag in flags(health, frozenset(), PACK.limits) if flag.code == "standby_draw").message
        for health in (drawing, told)
    ]

    assert "13 days" in messages[0]
    assert "11 days" in messages[1]


def test_a_log_with_more_pause_than_record_says_so(quiet):
    sparse = with_part(quiet, "readings", logged_hours=100.0, unlogged_hours=900.0)

    assert "poor_coverage" in codes(sparse)
    assert "poor_coverage" not in codes(with_part(quiet, "readings", logged_hours=900.0, unlogged_hours=100.0))


def test_an_acknowledged_flag_stays_and_is_marked(quiet):
    frozen = with_part(quiet, "cold_charging", events=(frost("severe"),), total_charge_ah=8.0)

    raised = flags(frozen, frozenset({"charged_frozen", "something_else"}), PACK.limits)

    assert {flag.code: flag.acknowledged for flag in raised}["charged_frozen"]
    assert not any(flag.acknowledged for flag in raised if flag.code != "charged_frozen")


def test_the_gravest_come_first(quiet):
    bad = with_part(quiet, "cold_charging", events=(frost("severe"),), total_charge_ah=8.0)
    bad = with_part(bad, "readings", logged_hours=10.0, unlogged_hours=900.0)
    bad = with_part(bad, "monitor", current_offset_a=Estimate(0.2, 0.15, 0.25))

    severities = [flag.severity for flag in flags(bad, frozenset(), PACK.limits)]

    assert severities == sorted(severities, key=["act", "look", "info"].index)
    assert {"act", "look", "info"} <= set(severities)


def test_every_flag_says_what_is_and_what_to_do(quiet):
    bad = with_part(quiet, "cold_charging", events=(frost("severe"),), total_charge_ah=8.0)
    bad = with_part(bad, "fade", sudden_losses=(SuddenLoss(START_MS, None),))

    for flag in flags(bad, frozenset(), PACK.limits):
        assert flag.message.endswith(".")
        assert flag.advice
        assert flag.severity in ("info", "look", "act")


def test_an_empty_logbook_raises_nothing():
    assert answer(digest(Readings.empty(), PACK), PACK).flags == ()


def test_the_start_of_these_tests_is_a_day_like_any_other():
    assert datetime.fromtimestamp(START_MS / 1000, tz=UTC).hour == 0


def test_a_flag_says_once_and_keeps_the_side_of_zero(quiet):
    event = replace(frost("slight"), min_temperature_c=-0.4, charge_ah=0.5)
    frozen = with_part(quiet, "cold_charging", events=(event,), total_charge_ah=0.5)

    flag = next(flag for flag in flags(frozen, frozenset(), PACK.limits) if flag.code == "charged_frozen")

    assert flag.message == "Charged once below 0 °C, 0.5 Ah in all, the coldest at \u22120.4 °C."


def test_an_offset_is_high_or_low_never_a_negative_too_much(quiet):
    for value, way in ((-0.05, "low"), (0.05, "high")):
        off = with_part(quiet, "monitor", current_offset_a=Estimate(value, value - 0.01, value + 0.01))
        message = next(flag.message for flag in flags(off, frozenset(), PACK.limits) if flag.code == "sensor_offset")
        assert message.startswith(f"The monitor reads 0.05 A too {way}: 1.2 Ah a day")


def off_by(quiet, amps: float):
    return with_part(quiet, "monitor", current_offset_a=Estimate(amps, amps - 0.005, amps + 0.005))


@pytest.mark.parametrize(
    ("amps", "stood", "raised"),
    [(0.031, False, True), (0.029, False, False), (0.029, True, True), (0.025, True, True), (0.023, True, False)],
)
def test_a_flag_that_stands_comes_down_only_when_its_figure_is_clearly_back(quiet, amps, stood, raised):
    before = frozenset({"sensor_offset"} if stood else ())

    found = {flag.code for flag in flags(off_by(quiet, amps), frozenset(), PACK.limits, before)}

    assert ("sensor_offset" in found) == raised


@pytest.mark.parametrize("amps", [0.02, 0.023, 0.026, 0.029, 0.032])
@pytest.mark.parametrize("stood", [True, False])
def test_asking_again_changes_no_flag(quiet, amps, stood):
    before = frozenset({"sensor_offset"} if stood else ())
    once = frozenset(flag.code for flag in flags(off_by(quiet, amps), frozenset(), PACK.limits, before))

    again = frozenset(flag.code for flag in flags(off_by(quiet, amps), frozenset(), PACK.limits, once))

    assert again == once


def test_low_coverage_stands_until_it_is_clearly_better(quiet):
    half = with_part(quiet, "readings", logged_hours=55.0, unlogged_hours=45.0)

    assert "poor_coverage" not in codes(half)
    assert "poor_coverage" in {
        flag.code for flag in flags(half, frozenset(), PACK.limits, frozenset({"poor_coverage"}))
    }


def test_a_pack_s_own_threshold_decides(quiet):
    relaxed = replace(PACK.limits, flag_offset_a=0.2)

    assert "sensor_offset" in codes(off_by(quiet, 0.1))
    assert "sensor_offset" not in {flag.code for flag in flags(off_by(quiet, 0.1), frozenset(), relaxed)}


def spread(volts: float, first_full: int | None, first_empty: int | None) -> Cells:
    return Cells(Estimate(volts, volts - 0.01, volts + 0.01), first_full, 4, None, first_empty, 4, None)


def test_cells_out_of_step_and_a_weak_cell_are_told_apart(quiet):
    assert codes(replace(quiet, cells=spread(0.15, 2, 4)))["cells_apart"] == "look"
    assert codes(replace(quiet, cells=spread(0.15, 2, 2)))["weak_cell"] == "look"
    assert not {"cells_apart", "weak_cell"} & set(codes(replace(quiet, cells=spread(0.05, 2, 2))))


@pytest.mark.parametrize(("apart_v", "told"), [(0.27, False), (0.62, True)])
def test_a_cell_that_is_level_at_full_and_far_below_at_empty_is_weak(quiet, apart_v, told):
    """Cells of even charge at full that differ by 8 to 12 % of capacity stand 0.5 to 0.8 V apart at empty (common practice, no source)."""
    level = replace(spread(0.02, 3, 3), spread_empty_v=Estimate(apart_v, apart_v - 0.2, apart_v + 0.2), days_empty=12)

    assert ("weak_cell" in codes(replace(quiet, cells=level))) == told


def test_a_refused_charge_is_good_news_with_its_span(quiet):
    refused = ProtectionEvent(START_MS, START_MS + HOUR_MS, "charge_blocked_cold")
    health = with_part(quiet, "protection", events=(refused,))

    flag = next(flag for flag in flags(health, frozenset(), PACK.limits) if flag.code == "refused_cold")

    assert (flag.severity, flag.start_ms, flag.end_ms) == ("info", START_MS, START_MS + HOUR_MS)
    assert "never bypass" in flag.advice


def test_a_log_without_current_is_not_told_to_log_more(quiet):
    found = with_part(quiet, "readings", logged_hours=0.0, unlogged_hours=300.0)

    assert "no_current" in codes(found)
    assert "poor_coverage" not in codes(found)


def test_a_drain_that_the_sensor_hardly_shows_is_flagged_by_what_goes(quiet):
    """80 Ah of 100 in 20 days are 0.17 A."""
    leaking = with_part(
        quiet, "idle", standby_current_a=Estimate(0.0, 0.0, 0.1), days_full_to_fifth=Estimate(20.0, 18.0, 23.0)
    )
    seen = with_part(leaking, "idle", standby_current_a=Estimate(0.17, 0.15, 0.19))

    assert "unseen_drain" in codes(leaking)
    assert "unseen_drain" not in codes(seen)
    assert "standby_draw" in codes(seen)
    assert "unseen_drain" not in codes(with_part(leaking, "idle", days_full_to_fifth=Estimate(400.0, 300.0, 500.0)))


def test_the_advice_on_cut_offs_is_in_the_pack_s_own_volts(quiet):
    cuts = tuple(
        ProtectionEvent(START_MS + day * 24 * HOUR_MS, START_MS + (day * 24 + 1) * HOUR_MS, "under_voltage")
        for day in range(4)
    )
    limits = Limits.defaults(100.0, 8)
    found = flags(with_part(quiet, "protection", events=cuts), frozenset(), limits)

    assert "24.0 V" in next(flag for flag in found if flag.code == "run_flat").advice
