"""What changed between two answers: every sentence has its cause, and nothing else is said."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.change import changes
from logbook.schema.estimate import Estimate
from logbook.schema.health import Capacity, Flag, SuddenLoss
from tests.analysis.properties import PROPERTY
from tests.cli.healths import FROSTY_MORNING, empty_health, full_health

FULL, EMPTY = full_health(), empty_health()
OFFSET = Flag("sensor_offset", "look", "The monitor reads 0.04 A too high.", None, None, "Set its zero.")


def capacity(ah: Estimate | None, verdict: str, at_least_ah: float | None = None) -> Capacity:
    return replace(FULL.capacity, ah=ah, verdict=verdict, at_least_ah=at_least_ah)


def changed(part: str, before: object, after: object) -> tuple[str, ...]:
    return changes(replace(FULL, **{part: before}), replace(FULL, **{part: after}))


@pytest.mark.parametrize("health", [FULL, EMPTY])
def test_the_same_answer_has_changed_in_nothing(health):
    assert changes(health, health) == ()


def test_first_readings_tell_all_that_became_known():
    said = changes(EMPTY, FULL)

    assert said[0] == "The log: 5 Sep 2024 to 30 Dec 2024, 2 300 h of it logged."
    assert "Capacity: 97 Ah (95 to 99 Ah), meets its rating." in said
    assert "Charged below 0 °C: 2 times, 27 Ah in all." in said
    assert "Loss a month while parked: 6.7 % (5.9 to 7.4 %)." in said
    assert "The monitor's current is off by: 0.04 A (0.02 to 0.06 A)." in said
    assert "The protection board opened: 2 times." in said
    assert "New flag (act): Charged frozen." in said
    assert not [sentence for sentence in said if "Before" in sentence]


def test_a_refused_charge_is_told_apart_from_an_opening():
    refused = replace(FULL.protection.events[0], kind="charge_blocked_cold")
    more = replace(FULL.protection, events=(*FULL.protection.events, refused))

    assert changed("protection", FULL.protection, more) == ("It refused a charge in the cold: once. Before: not seen.",)


@PROPERTY
@given(st.floats(-0.49, 0.49), st.floats(-0.49, 0.49), st.floats(-0.49, 0.49))
def test_what_moves_less_than_the_last_digit_shown_is_no_change(value, low, high):
    before = capacity(Estimate(96.5, 94.5, 98.5), "meets_rating")
    after = capacity(Estimate(96.5 + value, 94.5 + low, 98.5 + high), "meets_rating")

    assert changed("capacity", before, after) == ()


def test_a_verdict_that_turns_is_told_with_both_figures():
    before = capacity(Estimate(95.2, 93.0, 97.0), "meets_rating")
    after = capacity(Estimate(94.9, 92.9, 96.9), "reduced")

    assert changed("capacity", before, after) == (
        "Capacity: 95 Ah (93 to 97 Ah), below its rating. Before: 95 Ah (93 to 97 Ah), meets its rating.",
    )


def test_a_bound_that_rises_is_told_where_nothing_more_is_known():
    before, after = (capacity(None, "undetermined", bound) for bound in (7.5, 62.4))

    assert changed("capacity", before, after) == (
        "Capacity: cannot be told, at least 62 Ah. Before: cannot be told, at least 7.5 Ah.",
    )
    assert changed("capacity", after, replace(after, at_least_ah=62.0)) == ()


def test_a_sudden_loss_is_dated_in_the_owners_zone():
    fade = replace(FULL.fade, sudden_losses=())
    after = replace(fade, sudden_losses=(SuddenLoss(FROSTY_MORNING, Estimate(14.0, 12.0, 16.0)),))

    (said,) = changes(replace(FULL, fade=fade), replace(FULL, fade=after), "Pacific/Kiritimati")

    assert said == "Capacity lost at once: 14 Ah (12 to 16 Ah) about 31 Dec 2024. Before: not seen."


def test_flags_come_go_and_grow_graver():
    graver = replace(OFFSET, severity="act")

    assert changed("flags", (), (OFFSET,)) == ("New flag (look): The monitor reads 0.04 A too high.",)
    assert changed("flags", (OFFSET,), ()) == ("No longer flagged: The monitor reads 0.04 A too high.",)
    assert changed("flags", (OFFSET,), (graver,)) == ("Flag now act, before look: The monitor reads 0.04 A too high.",)
    assert changed("flags", (OFFSET,), (replace(OFFSET, message="The monitor reads 0.05 A too high."),)) == ()


def test_a_figure_that_is_lost_again_is_told():
    said = changed("idle", FULL.idle, replace(FULL.idle, self_discharge_percent_per_month=None))

    assert said == ("Loss a month while parked: cannot be told. Before: 6.7 % (5.9 to 7.4 %).",)
