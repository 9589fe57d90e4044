"""Answer: composes the health of a pack from its digest tables."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis import cells, cold
from logbook.analysis.balance import balance, fed_heater
from logbook.analysis.basis import with_basis
from logbook.analysis.capacity import capacity
from logbook.analysis.cycles import cycles
from logbook.analysis.digest import digest
from logbook.analysis.exchange import exchange, since
from logbook.analysis.fade import fade
from logbook.analysis.flags import flags
from logbook.analysis.idle import idle
from logbook.analysis.monitor import DRIFT_SIGMA_A, ROUNDING_SHARE, monitor
from logbook.analysis.protection import protection
from logbook.analysis.resistance import resistance
from logbook.analysis.resolution import current_step_a
from logbook.analysis.tally import stands_for
from logbook.analysis.thaw import perhaps_frozen
from logbook.schema.health import Cycles, Health, PackSummary, ReadingsSummary
from logbook.schema.reading import Readings
from logbook.units import MS_PER_HOUR, S_PER_HOUR

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from logbook.analysis.balance import Balance
    from logbook.schema.pack import Pack

UNCOUNTED = "A charger seems to be wired past the sensor, so what it charged while the pack was cold is not in the log, and nobody can say."
LEAST_CYCLES_TOLD, WORTH_A_WORD = 0.01, 0.05
"""Full cycles, and the share of all, by which they may be off before that is said (ours)."""
SURELY = 3.0
"""What flows behind a shown zero is counted where it is so many sigmas from none (ours)."""


def answer(
    tables: Mapping[str, pd.DataFrame],
    pack: Pack,
    acknowledged: frozenset[str] = frozenset(),
    *,
    raised: frozenset[str] = frozenset(),
    span_ms: tuple[int, int] | None = None,
) -> Health:
    """The whole health of a pack; `span_ms` are its first and last reading, else to the hour; `raised` the flags that stood."""
    tables = _complete(tables, pack)
    solved = balance(tables, pack)
    tables = solved.tables
    hours = tables["hours"]
    other = exchange(solved)
    if other:
        solved = balance(since(tables, other.at_ms), pack)
    measured = capacity(solved, solved.tables["hours"], pack)
    if other:
        reason = " ".join(filter(None, (other.reason, measured.reason)))
        measured = replace(measured, reason=reason, other_pack_since_ms=other.at_ms)
    capacity_ah = measured.ah.value if measured.ah else pack.rated_ah
    offset_a, _ = solved.sensor_offset
    readings = _readings(hours, span_ms)
    health = Health(
        pack=PackSummary(pack.name, pack.cell.label, pack.cells_in_series, pack.rated_ah),
        readings=readings,
        capacity=measured,
        fade=fade(solved, measured, pack),
        cycles=cycles(
            hours.assign(**stands_for(hours, tables["tally"])[["charge_ah", "discharge_ah"]]),
            tables["openings"],
            pack,
            capacity_ah=capacity_ah,
            offset_a=offset_a,
            anchors=None if other else solved.anchors,
            behind_zero_a=(_surely(solved, "hidden_a"), _surely(solved, "fed_a")),
        ),
        cold_charging=replace(
            cold.answer(
                tables["cold"],
                pack,
                hours=hours,
                offset_a=offset_a,
                not_stored=fed_heater(solved, tables["cold"]),
                has_temperature=bool(len(hours) and hours["min_temperature_c"].notna().any()),
            ),
            perhaps_frozen_ah=perhaps_frozen(hours, pack),
        ),
        idle=idle(solved, solved.tables["hours"], pack),
        resistance=resistance(tables["steps"], readings.interval_s),
        monitor=monitor(solved, solved.tables, pack),
        protection=protection(tables["openings"], tables["blocked"], tables["sights"], tables["status"]),
        cells=cells.answer(tables["cells"]),
    )
    health = replace(health, cycles=_doubted(health.cycles, solved, hours, pack))
    if solved.past_sensor_a is not None and solved.past_sensor_a < 0:
        frozen = health.cold_charging
        health = replace(
            health, cold_charging=replace(frozen, reason=" ".join(filter(None, (UNCOUNTED, frozen.reason))))
        )
    health = with_basis(health, tables, pack)
    return replace(health, flags=flags(health, acknowledged, pack.limits, raised))


def _surely(solved: Balance, name: str) -> float:
    """An unknown where it is surely not nothing, else 0."""
    value = solved.value(name)
    return value if abs(value) >= SURELY * solved.sigma(name) else 0.0


def _doubted(use: Cycles, solved: Balance, hours: pd.DataFrame, pack: Pack) -> Cycles:
    """The same, with a word where the pack mostly stood and the sensor's own error makes a good part of what was counted."""
    sigma_a = float(np.linalg.norm([solved.sigma("offset_a"), DRIFT_SIGMA_A, ROUNDING_SHARE * current_step_a(hours)]))
    doubt = sigma_a * float(hours["logged_s"].sum()) / S_PER_HOUR / (2 * pack.rated_ah) if len(hours) else 0.0
    if doubt <= max(WORTH_A_WORD * use.equivalent_full_cycles, LEAST_CYCLES_TOLD):
        return use
    return replace(
        use,
        reason=f"It mostly stood, so the sensor's own small error is a good part of this: it may be off by {doubt:.2g} full cycles.",
    )


def _complete(tables: Mapping[str, pd.DataFrame], pack: Pack) -> dict[str, pd.DataFrame]:
    """Tables in time order, with the empty ones where nothing was found."""
    blank = digest(Readings.empty(), pack)
    result = {}
    for name, empty in blank.items():
        frame = tables.get(name, empty)
        result[name] = (frame if len(frame) else empty).sort_values("start_ms", ignore_index=True, kind="stable")
    return result


def _readings(hours: pd.DataFrame, span_ms: tuple[int, int] | None) -> ReadingsSummary:
    if hours.empty:
        return ReadingsSummary(0, None, None, 0.0, 0.0)
    first_ms, last_ms = span_ms or (int(hours["start_ms"].iloc[0]), int(hours["start_ms"].iloc[-1]) + MS_PER_HOUR)
    logged_h = float(hours["logged_s"].sum()) / S_PER_HOUR
    elapsed_h = (last_ms - first_ms) / MS_PER_HOUR
    return ReadingsSummary(
        count=int(hours["readings"].sum()),
        first_ms=first_ms,
        last_ms=last_ms,
        logged_hours=round(logged_h, 2),
        unlogged_hours=round(max(0.0, elapsed_h - logged_h), 2),
        interval_s=float(np.median(hours["interval_s"])),
    )
