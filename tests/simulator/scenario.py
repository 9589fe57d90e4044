"""Scenario: how a pack is used and logged; ranges from which each seed draws its own values."""

from __future__ import annotations

from dataclasses import dataclass, replace

Range = tuple[float, float]


@dataclass(frozen=True)
class Scenario:
    """One way of living with a pack. Pairs are ranges to draw from evenly."""

    kind: str
    days: int = 365
    dt_s: float = 20.0
    interval_s: int = 60
    rated_ah: tuple[float, ...] = (100.0,)
    capacity: Range = (0.94, 1.05)
    """Of rated, at the first reading."""
    fade_per_year: Range = (0.01, 0.04)
    sudden_loss: Range | None = None
    """Share of one cell's charge lost at once."""
    trip_days: Range = (2, 4)
    gap_days: Range = (3, 11)
    log_gaps: bool = False
    """Whether the parked time is logged too."""
    dropouts_per_day: Range = (0.0, 0.0)
    """Holes of half an hour to ten hours while travelling."""
    appetite: Range = (0.8, 1.3)
    """Scale of the everyday loads, against a pack of 100 Ah."""
    deep_share: Range = (0.15, 0.4)
    """Share of trip days on which the owner runs the pack to the cut-off."""
    floor: Range = (0.15, 0.35)
    """Below this the owner goes easy, except on deep days."""
    microwave_per_day: Range = (0.5, 3.0)
    microwave_a: Range = (70.0, 100.0)
    surges_per_day: Range = (0.0, 0.05)
    """Loads beyond the board's limit."""
    solar_a: Range = (6.0, 16.0)
    alternator_a: Range = (18.0, 30.0)
    drive_share: Range = (0.3, 0.6)
    """Share of trip days with driving."""
    mains_a: Range = (15.0, 25.0)
    mains_between: Range = (0.7, 1.0)
    """Chance that a gap starts at a mains lead."""
    solar_in_gaps: Range = (0.0, 1.0)
    """Share of the seeds (drawn once) in which the parked vehicle stands in the sun: drawn value above 0.5."""
    absorption_v: Range = (14.2, 14.5)
    absorption_tail: Range = (0.015, 0.035)
    mean_c: Range = (11.0, 16.0)
    season_c: Range = (7.0, 10.0)
    daily_c: Range = (3.0, 6.0)
    charge_block: bool = False
    offset_a: Range = (-0.07, 0.07)
    dead_band_a: Range = (0.0, 0.03)
    gain_error: float = 0.005
    """Standard deviation; drawn values stay within two of them."""
    parked_a: Range = (0.04, 0.09)
    board_a: Range = (0.005, 0.015)
    self_discharge_month: Range = (0.008, 0.022)
    """Of present charge in 30 days, at 25 °C."""
    temperature_column: bool = True
    soc_column: bool = True
    load_cut_v: float = 0.0
    """A low-voltage disconnect for the loads; 0 for none."""


_WEEKEND = Scenario("weekend_healthy")

SCENARIOS: dict[str, Scenario] = {
    entry.kind: entry
    for entry in (
        _WEEKEND,
        Scenario(
            "fulltime_worn",
            capacity=(0.74, 0.88),
            trip_days=(12, 30),
            gap_days=(3, 8),
            deep_share=(0.1, 0.3),
            solar_a=(10.0, 22.0),
            offset_a=(-0.08, 0.08),
        ),
        Scenario("never_deep", deep_share=(0.0, 0.0), floor=(0.3, 0.5), trip_days=(3, 8)),
        Scenario("cold_no_cutoff", mean_c=(4.0, 7.0), season_c=(9.0, 12.0), trip_days=(4, 8)),
        Scenario(
            "cold_with_cutoff",
            mean_c=(4.0, 7.0),
            season_c=(9.0, 12.0),
            trip_days=(4, 8),
            charge_block=True,
        ),
        Scenario(
            "parked_logged",
            trip_days=(3, 7),
            gap_days=(35, 70),
            log_gaps=True,
            parked_a=(0.0, 0.0),
            offset_a=(-0.008, 0.008),
            dead_band_a=(0.02, 0.06),
            board_a=(0.006, 0.02),
            self_discharge_month=(0.01, 0.035),
            deep_share=(0.0, 0.15),
            solar_in_gaps=(0.0, 0.0),
            mains_between=(0.9, 1.0),
        ),
        replace(
            _WEEKEND,
            kind="sudden_loss",
            capacity=(0.95, 1.03),
            fade_per_year=(0.01, 0.03),
            sudden_loss=(0.11, 0.18),
        ),
        Scenario(
            "small_pack_surge",
            days=150,
            dt_s=15.0,
            interval_s=30,
            rated_ah=(50.0, 60.0),
            appetite=(0.6, 0.9),
            microwave_per_day=(0.0, 0.6),
            microwave_a=(40.0, 48.0),
            surges_per_day=(0.3, 1.2),
            alternator_a=(12.0, 20.0),
            mains_a=(10.0, 15.0),
        ),
        Scenario(
            "never_full",
            absorption_v=(13.45, 13.7),
            absorption_tail=(0.10, 0.25),
            solar_a=(4.0, 9.0),
            mains_between=(0.2, 0.5),
            trip_days=(4, 10),
        ),
        Scenario("many_gaps", dropouts_per_day=(1.5, 4.0), trip_days=(3, 9)),
        Scenario("no_proven_empty", floor=(0.08, 0.16), deep_share=(0.0, 0.0), trip_days=(3, 8), appetite=(1.2, 1.8)),
        Scenario("no_temperature", temperature_column=False),
        Scenario("no_percentage", soc_column=False),
        Scenario("ten_second", days=60, dt_s=10.0, interval_s=10),
        Scenario("one_second", days=8, dt_s=1.0, interval_s=1, trip_days=(7, 8), surges_per_day=(0.0, 0.0)),
        Scenario("five_minute", interval_s=300, microwave_per_day=(0.3, 1.5)),
    )
}
"""Kind to scenario."""
