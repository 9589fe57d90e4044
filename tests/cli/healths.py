"""Health answers for tests: one with every field filled, one that cannot tell anything."""

from __future__ import annotations

from datetime import date

from logbook.schema.estimate import Estimate
from logbook.schema.health import (
    Capacity,
    CapacityObservation,
    ColdChargeEvent,
    ColdCharging,
    Cycles,
    DateRange,
    DepthBin,
    Fade,
    Flag,
    Health,
    Idle,
    Monitor,
    PackSummary,
    Protection,
    ProtectionEvent,
    ReadingsSummary,
    Resistance,
    SuddenLoss,
)

FROSTY_MORNING = 1_735_552_800_000
"""2024-12-30T10:00:00Z."""


def full_health() -> Health:
    return Health(
        pack=PackSummary("Van", "LiFePO4", 4, 100.0),
        readings=ReadingsSummary(141_120, FROSTY_MORNING - 10**10, FROSTY_MORNING, 2300.0, 700.0, 60.0),
        capacity=Capacity(
            ah=Estimate(97.2, 95.1, 99.0),
            state_of_health=Estimate(0.972, 0.951, 0.99),
            verdict="meets_rating",
            reason=None,
            observations=(
                CapacityObservation(0, FROSTY_MORNING, 97.0, 95.0, 99.0, "full to empty", 21.5, used=True, note=None),
                CapacityObservation(0, 3_600_000, 84.0, 80.0, 88.0, "full to empty", -2.0, used=False, note="cold"),
            ),
        ),
        fade=Fade(
            Estimate(2.1, 1.4, 2.8),
            DateRange(date(2031, 5, 1), date(2029, 1, 1), None),
            (SuddenLoss(FROSTY_MORNING, Estimate(14.0, 12.0, 16.0)), SuddenLoss(FROSTY_MORNING, None)),
            None,
        ),
        cycles=Cycles(32.4, 3300.0, 3200.0, 44_000.0, 42_000.0, (DepthBin(0.0, 10.0, 12.5),)),
        cold_charging=ColdCharging(
            0.0,
            27.1,
            (
                ColdChargeEvent(FROSTY_MORNING, FROSTY_MORNING + 3_600_000, 3600.0, 26.5, -4.6, 31.0, "severe"),
                ColdChargeEvent(
                    FROSTY_MORNING + 10**8, FROSTY_MORNING + 10**8 + 600_000, 600.0, 0.6, -0.7, 2.0, "slight"
                ),
            ),
        ),
        idle=Idle(Estimate(6.7, 5.9, 7.4), Estimate(0.06, 0.05, 0.07), None),
        resistance=Resistance(Estimate(3.8, 3.5, 4.2), Estimate(1.0, -0.5, 2.5), None),
        monitor=Monitor(Estimate(0.04, 0.02, 0.06), Estimate(-3.0, -5.0, -1.0), True, None),
        protection=Protection(
            (
                ProtectionEvent(FROSTY_MORNING, FROSTY_MORNING + 60_000, "under_voltage"),
                ProtectionEvent(FROSTY_MORNING + 10**8, None, "over_current"),
            )
        ),
        flags=(
            Flag("cold_charge", "act", "Charged frozen.", FROSTY_MORNING, None, "Warm it first."),
            Flag("offset", "look", "The monitor is off.", None, None, "Set its zero.", acknowledged=True),
        ),
    )


def empty_health() -> Health:
    nothing = "No reading is logged; import a file."
    return Health(
        pack=PackSummary("New", "LiFePO4", 4, 100.0),
        readings=ReadingsSummary(0, None, None, 0.0, 0.0),
        capacity=Capacity(None, None, "undetermined", nothing),
        fade=Fade(None, None, (), nothing),
        cycles=Cycles(0.0, 0.0, 0.0, 0.0, 0.0, (), nothing),
        cold_charging=ColdCharging(0.0, 0.0, (), nothing),
        idle=Idle(None, None, nothing),
        resistance=Resistance(None, None, nothing),
        monitor=Monitor(None, None, None, nothing),
        protection=Protection(()),
    )
