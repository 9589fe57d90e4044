"""Hand-made answers of an invented camper: one pack with everything, one with a little, one with nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

from logbook.schema.estimate import Estimate
from logbook.schema.health import (
    Capacity,
    CapacityObservation,
    Cells,
    ColdBand,
    ColdChargeEvent,
    ColdCharging,
    Cycles,
    DateRange,
    DepthBin,
    Fade,
    FalseFull,
    Flag,
    Health,
    Idle,
    Monitor,
    PackSummary,
    Protection,
    ProtectionEvent,
    ReadingsSummary,
    Resistance,
    Sight,
    SuddenLoss,
)
from logbook.schema.pack import Limits, Pack


def ms(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def pack(number: int = 1, name: str = "House", rated_ah: float = 100.0, zone: str = "Europe/Berlin") -> Pack:
    return Pack(number, name, "lfp", 4, rated_ah, Limits.defaults(rated_ah, 4), date(2023, 4, 1), zone)


OBSERVATIONS = tuple(
    CapacityObservation(ms(start), ms(end), ah, ah - half, ah + half, method, temperature, used, note)
    for start, end, ah, half, method, temperature, used, note in (
        (
            "2025-01-14T09:00",
            "2025-01-15T03:00",
            84.1,
            2.6,
            "full to knee at rest",
            3.0,
            False,
            "Cold: below 15 °C the pack gives less for the day.",
        ),
        ("2025-06-03T10:00", "2025-06-04T01:00", 94.6, 1.9, "full to empty", 22.0, True, None),
        ("2025-08-20T12:00", "2025-08-21T05:00", 93.2, 2.4, "full to knee at rest", 27.0, True, None),
        ("2025-11-02T11:00", "2025-11-03T06:00", 92.8, 3.1, "full to knee at rest", 16.0, True, None),
        ("2026-04-18T08:00", "2026-04-19T02:00", 91.4, 1.8, "full to empty", 18.0, True, None),
        ("2026-09-05T09:30", "2026-09-06T01:00", 90.2, 1.7, "full to empty", 21.0, True, None),
    )
)

EVENTS = tuple(
    ColdChargeEvent(ms(start), ms(start) + int(hours * 3.6e6), hours * 3600, ah, coldest, current, severity)
    for start, hours, ah, coldest, current, severity in (
        ("2025-01-12T07:40", 1.2, 2.4, -2.1, 4.2, "slight"),
        ("2025-01-14T07:55", 2.3, 9.8, -6.4, 14.5, "marked"),
        ("2025-01-15T08:05", 0.8, 1.1, -1.2, 2.2, "slight"),
        ("2026-02-03T07:20", 1.9, 21.5, -11.2, 32.0, "severe"),
        ("2026-02-04T07:45", 1.0, 3.3, -4.0, 6.1, "marked"),
    )
)

SIGHTS = tuple(
    Sight(ms("2025-06-04T00:55") + place * 60_000, volts, -8.4, 21.5, soc, lowest)
    for place, (volts, soc, lowest) in enumerate(
        ((11.9, 9.0, 2.94), (11.6, 8.0, 2.83), (11.1, 8.0, 2.71), (10.4, 7.0, 2.52), (0.0, None, None))
    )
)

BANDS = (ColdBand(None, -10.0, 21.5), ColdBand(-10.0, -5.0, 9.8), ColdBand(-5.0, 0.0, 6.8), ColdBand(0.0, 5.0, 44.1))

FLAGS = (
    Flag(
        "cold_charging_severe",
        "act",
        "Severe charging below 0 °C on 3 Feb 2026.",
        EVENTS[3].start_ms,
        EVENTS[3].end_ms,
        "Find what charges it in frost and stop it below 5 °C: isolate the solar panel or set the charger's low-temperature limit.",
    ),
    Flag(
        "standby_drain",
        "look",
        "The parked van draws 0.11 A: 2.6 Ah a day.",
        ms("2026-08-01T00:00"),
        ms("2026-08-19T00:00"),
        "Switch off the inverter and the router when you leave it, and compare.",
    ),
    Flag(
        "soc_counts_rated",
        "info",
        "The monitor counts against the rated capacity.",
        None,
        None,
        "Set its capacity to 90 Ah, so that its percentage means something.",
        acknowledged=True,
    ),
)


def full(name: str = "House") -> Health:
    return Health(
        pack=PackSummary(name, "lfp", 4, 100.0),
        readings=ReadingsSummary(412_310, ms("2025-01-02T08:00"), ms("2026-09-30T18:30"), 6872.0, 8410.0, 60.0),
        capacity=Capacity(
            Estimate(90.1, 88.2, 92.0), Estimate(0.901, 0.882, 0.92), "reduced", None, OBSERVATIONS, 88.4
        ),
        fade=Fade(Estimate(2.9, 1.2, 4.7), DateRange(date(2030, 1, 1), date(2028, 3, 1), date(2036, 6, 1)), (), None),
        cycles=Cycles(
            61.4,
            6180.0,
            6090.0,
            82_900.0,
            79_300.0,
            tuple(DepthBin(10.0 * k, 10.0 * k + 10, n) for k, n in enumerate((41, 33, 22.5, 18, 14, 9, 6.5, 4, 3, 2))),
        ),
        cold_charging=ColdCharging(0.0, sum(event.charge_ah for event in EVENTS), EVENTS, None, BANDS, 6.2, 3),
        idle=Idle(Estimate(2.8, 1.9, 3.8), Estimate(0.11, 0.1, 0.12), None, Estimate(26.3, 24.2, 28.6)),
        resistance=Resistance(Estimate(11.8, 11.1, 12.6), Estimate(3.1, -0.6, 6.8), None),
        monitor=Monitor(
            Estimate(0.041, 0.03, 0.052),
            Estimate(6.2, 4.9, 7.6),
            True,
            None,
            (FalseFull(ms("2026-05-02T12:10"), 61.0, 13.55), FalseFull(ms("2026-06-11T11:00"), 48.0, 13.5)),
        ),
        protection=Protection(
            (
                ProtectionEvent(ms("2025-06-04T01:00"), ms("2025-06-04T07:10"), "under_voltage", SIGHTS),
                ProtectionEvent(ms("2026-07-12T17:32"), ms("2026-07-12T17:33"), "over_current"),
            )
        ),
        flags=FLAGS,
        cells=Cells(Estimate(0.045, 0.02, 0.07), 3, 12, None, None, 1, None),
    )


def dropped() -> Health:
    """A pack that lost a cell's worth in one step."""
    observations = tuple(
        replace(
            item,
            ah=item.ah - (13 if item.end_ms > ms("2025-09-01") else 0),
            low=item.low - (13 if item.end_ms > ms("2025-09-01") else 0),
            high=item.high - (13 if item.end_ms > ms("2025-09-01") else 0),
        )
        for item in OBSERVATIONS
    )
    loss = SuddenLoss(ms("2025-10-10T12:00"), Estimate(12.6, 9.8, 15.5))
    return replace(
        full("Aft"),
        capacity=Capacity(
            Estimate(77.2, 75.0, 79.6), Estimate(0.772, 0.75, 0.796), "end_of_life", None, observations, 75.0
        ),
        fade=Fade(None, None, (loss,), "Too short a time since the sudden loss to say how fast it fades."),
    )


def bound(name: str = "Old pack") -> Health:
    """Never emptied: a lower bound alone."""
    reason = "It was never taken from proven full to proven empty. One run at about 20 A from full until the knee would settle it."
    return Health(
        pack=PackSummary(name, "lfp", 4, 100.0),
        readings=ReadingsSummary(98_000, ms("2026-03-01T00:00"), ms("2026-07-01T00:00"), 1633.0, 1295.0, 60.0),
        capacity=Capacity(None, None, "undetermined", reason, (), 61.0),
        fade=Fade(None, None, (), "No capacity is measured yet."),
        cycles=Cycles(9.1, 920.0, 905.0, 12_300.0, 11_800.0, ()),
        cold_charging=ColdCharging(0.0, 0.0, ()),
        idle=Idle(
            None,
            None,
            "No rest between two proven fulls is long enough. Leave it parked and logged for two weeks, then charge to full.",
        ),
        resistance=Resistance(
            None, None, "No load step is sampled finely enough. Log at 5 s or faster while a kettle starts."
        ),
        monitor=Monitor(None, None, None, "No two proven fulls with complete logging between them."),
        protection=Protection(()),
        flags=(),
    )


def nothing(name: str = "New pack") -> Health:
    reason = "There are no readings yet. Take in a file."
    empty = ReadingsSummary(0, None, None, 0.0, 0.0)
    return replace(
        bound(name),
        readings=empty,
        capacity=Capacity(None, None, "undetermined", reason),
        cycles=Cycles(0, 0, 0, 0, 0, (), reason),
        cold_charging=ColdCharging(0.0, 0.0, (), reason),
        idle=Idle(None, None, reason),
        resistance=Resistance(None, None, reason),
        monitor=Monitor(None, None, None, reason),
    )


def one_reading(name: str = "One reading") -> Health:
    when = ms("2026-03-01T08:00")
    reason = "One reading tells nothing about capacity. Take in a file with a whole trip."
    return replace(
        nothing(name),
        readings=ReadingsSummary(1, when, when, 0.0, 0.0),
        capacity=Capacity(None, None, "undetermined", reason),
        cold_charging=ColdCharging(
            0.0, 0.0, (), "The readings carry no temperature. Add a temperature sensor on the cells."
        ),
    )


TABLE = {1: full(), 2: dropped(), 3: bound(), 4: nothing(), 5: one_reading()}
"""Pack number to its answer: everything, a sudden loss, a lower bound, nothing, one reading."""
