"""Parked: how long a full pack lasts left as it is, and with everything switched off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import plotly.graph_objects as go

from logbook.dashboard.figures.style import BLUE, GREEN, level, paper
from logbook.dashboard.view import quantity

if TYPE_CHECKING:
    from logbook.schema.health import Health

AS_IT_IS, ALL_OFF = "left as it is", "all loads off"
RESERVE = 0.2
"""Share to come back by: storage guides of the trade ask for a recharge at 20 %; common practice, no source."""
SEEN = 4.0
"""At most so many times the shorter line is shown, so that it can be read."""
LONGEST_DAYS = 730.0
"""Nothing is drawn beyond two years; nobody plans that far from one number."""


@dataclass(frozen=True)
class Drain:
    """A daily loss in Ah with its interval, and what it is of."""

    words: str
    value: float
    low: float
    high: float

    def days(self, start_ah: float, end_ah: float) -> tuple[float, float, float]:
        """Days from one charge down to another: as expected, at the earliest, at the latest; two years at most."""
        room = max(start_ah - end_ah, 0.0)
        value, earliest, latest = (
            min(room / rate, LONGEST_DAYS) if rate > 0 else LONGEST_DAYS for rate in (self.value, self.high, self.low)
        )
        return value, earliest, latest


def drains(health: Health) -> tuple[Drain, ...]:
    """The losses that are known: everything together, and what is left with all loads switched off.

    What the sensor sees and what it does not may be known only together, from the days a full pack lasts.
    """
    draw, unseen = health.idle.standby_current_a, health.idle.self_discharge_percent_per_month
    per_day = unseen.scaled(health.pack.rated_ah / 100 / 30) if unseen else None
    together = health.idle.days_full_to_fifth
    found = []
    if together is not None and together.low > 0:
        room = (1 - RESERVE) * usable_ah(health)
        found.append(Drain(AS_IT_IS, *(room / days for days in (together.value, together.high, together.low))))
    elif draw is not None:
        seen = draw.scaled(24)
        rest = (per_day.value, per_day.low, per_day.high) if per_day else (0.0, 0.0, 0.0)
        ends = zip((seen.value, max(seen.low, 0.0), max(seen.high, 0.0)), rest, strict=True)
        found.append(Drain(AS_IT_IS, *(max(a + b, 0.0) for a, b in ends)))
    if per_day is not None:
        found.append(Drain(ALL_OFF, *(max(x, 0.0) for x in (per_day.value, per_day.low, per_day.high))))
    return tuple(found)


def usable_ah(health: Health) -> float:
    """Measured capacity, else rated."""
    return health.capacity.ah.value if health.capacity.ah else health.pack.rated_ah


def drain_lines(health: Health) -> go.Figure:
    """Draw charge left in Ah over days since it was left full."""
    full = usable_ah(health)
    figure = paper(xaxis_title="Days parked, from full", yaxis_title="Charge left (Ah)")
    found = drains(health)
    lasts = [drain.days(full, 0.0)[0] for drain in found] or [30.0]
    longest = min(1.05 * max(lasts), SEEN * min(lasts), LONGEST_DAYS)
    for drain in found:
        colour, dash = (BLUE, "solid") if drain.words == AS_IT_IS else (GREEN, "dash")
        x = [longest * step / 60 for step in range(61)]
        lines = {rate: [max(full - rate * day, 0.0) for day in x] for rate in (drain.high, drain.low, drain.value)}
        edge = {"mode": "lines", "line": {"width": 0}, "hoverinfo": "skip", "x": x}
        fill = "rgba(0,114,178,.16)" if colour == BLUE else "rgba(0,130,95,.16)"
        figure.add_trace(go.Scatter(name=f"{drain.words}, low", y=lines[drain.high], **edge))
        figure.add_trace(
            go.Scatter(name=f"{drain.words}, high", y=lines[drain.low], fill="tonexty", fillcolor=fill, **edge)
        )
        figure.add_trace(
            go.Scatter(
                name=drain.words,
                x=x,
                y=lines[drain.value],
                mode="lines",
                line={"color": colour, "width": 2.2, "dash": dash},
                hovertemplate=f"{drain.words}<br>day %{{x:.0f}}: %{{y:.0f}} Ah<extra></extra>",
            )
        )
    level(figure, RESERVE * full, f"20 %, {quantity(RESERVE * full, 'Ah')}: come back by then", "dash")
    figure.update_yaxes(range=[0, full * 1.06])
    figure.update_xaxes(range=[0, longest])
    return figure
