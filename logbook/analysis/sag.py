"""Sag: the voltage a load would leave at the pack's terminals, from the pack's own measured resistance.

E is the open-circuit voltage of the `ocv` table on the discharge branch, R the resistance of load
steps brought to the temperature asked for (`resistance`). A load of power P draws I with P = V·I
and V = E − I·R, so V = (E + √(E² − 4·P·R)) / 2. Within minutes diffusion adds to R, which a load
step does not show: the rest of the total drop of a cell after a minute (`openings`) at 25 °C, known to ±50 %, and like
the resistance brought to the temperature asked for.
Hysteresis, the table's spread and the activation energy's ±4 kJ/mol widen the interval.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis import ocv
from logbook.analysis.capacity import QUANTILE
from logbook.analysis.openings import TOTAL_RESISTANCE_CELL_OHM_AH
from logbook.analysis.resistance import ACTIVATION_SIGMA_J_PER_MOL, pack_factor, temperature_factor
from logbook.schema.estimate import Estimate
from logbook.schema.sag import Sag
from logbook.units import GAS_CONSTANT_J_PER_MOL_K, kelvin_from_celsius

if TYPE_CHECKING:
    from collections.abc import Callable

    from logbook.schema.health import Resistance
    from logbook.schema.pack import Pack
    from logbook.schema.sag import Load

SLOW_SHARE = (0.4, 0.8)
"""What minutes add is at least and at most this share of what a load step shows: 0.6 after one and 0.7 to 0.9 after three
on a K2 26650 cell at 20 °C from 20 to 90 % of charge (ARTS-Lab, University of South Carolina, HPPC data, CC BY-SA 4.0);
a pack's board and joints add to the step alone."""
DIFFUSION_SIGMA = 0.5
"""1 sd of what diffusion adds, as a share of it."""
PLATEAU_SIGMA_V = 0.012
"""1 sd of a cell's open-circuit voltage between makes on the plateau, V (ours, from the spread of `ocv`'s tables)."""
STOPS_CELL_V = 2.625
WARNED_C = (-20.0, 55.0)
"""Beyond these no resistance is foretold."""
MUSTS = (
    "Currents like this heat every poor joint: cables, lugs and fuse must be made for them, by local codes and a licensed hand.",
    "An inverter's capacitors keep their charge and draw a surge when they are connected; go by its manual.",
)
HIGH_CURRENT_A = 50.0


def sag(resistance: Resistance, pack: Pack, load: Load) -> Sag:
    """Foretell what a load does; `undetermined` where the log shows no resistance or the question leaves the table."""
    stops_v = load.stops_below_v if load.stops_below_v is not None else STOPS_CELL_V * pack.cells_in_series
    reason = _refusal(resistance, pack, load)
    if reason is not None or resistance.milliohm_25c is None:
        return Sag(load, None, None, None, None, stops_v, "undetermined", reason)
    ohm, ohm_sigma = _resistance(resistance.milliohm_25c, load.temperature_c)
    slow = _slow(resistance.milliohm_25c.value / 1000, pack) * float(temperature_factor(load.temperature_c))
    rest_v, rest_sigma = _open_circuit(load.soc_percent / 100, pack)
    watts = load.watts / load.efficiency

    def spread(value: Callable[[float, float, float], float]) -> Estimate:
        """Value with its interval from those of E, R and what diffusion adds."""
        middle = value(rest_v, ohm, slow)
        steps = (
            value(rest_v - rest_sigma, ohm, slow),
            value(rest_v, ohm + ohm_sigma, slow),
            value(rest_v, ohm, slow * (1 + DIFFUSION_SIGMA)),
        )
        sigma = float(np.sqrt(sum((step - middle) ** 2 for step in steps)))
        return Estimate(round(middle, 2), round(middle - QUANTILE * sigma, 2), round(middle + QUANTILE * sigma, 2))

    at_once = spread(lambda volts, fast, _slow: _under(volts, fast, watts))
    later = spread(lambda volts, fast, more: _under(volts, fast + more, watts))
    current = spread(lambda volts, fast, more: watts / max(_under(volts, fast + more, watts), 0.1))
    return Sag(
        load=load,
        resting_v=spread(lambda volts, _fast, _slow: volts),
        at_once_v=at_once,
        after_minutes_v=later,
        current_a=Estimate(*(round(value, 1) for value in (current.value, current.low, current.high))),
        stops_below_v=stops_v,
        verdict=_verdict(later, stops_v),
        reason=None,
        cautions=_cautions(current.value, load, pack),
    )


def _refusal(resistance: Resistance, pack: Pack, load: Load) -> str | None:
    if pack.chemistry != "lfp":
        return f"Only LiFePO4 has a table of resting voltages here, not {pack.cell.label}."
    if not WARNED_C[0] <= load.temperature_c <= WARNED_C[1]:
        return f"Nothing is known of a pack at {load.temperature_c:.0f} °C; ask for {WARNED_C[0]:.0f} to {WARNED_C[1]:.0f} °C."
    if resistance.milliohm_25c is None:
        return resistance.reason
    return None


def _resistance(milliohm_25c: Estimate, temperature_c: float) -> tuple[float, float]:
    """Resistance at a temperature and its standard deviation, ohm."""
    ohm = milliohm_25c.value / 1000 * float(pack_factor(temperature_c))
    apart = abs(1 / float(kelvin_from_celsius(temperature_c)) - 1 / float(kelvin_from_celsius(25.0)))
    by_warmth = ACTIVATION_SIGMA_J_PER_MOL / GAS_CONSTANT_J_PER_MOL_K * apart
    by_steps = (milliohm_25c.high - milliohm_25c.low) / 2 / QUANTILE / milliohm_25c.value
    return ohm, ohm * float(np.hypot(by_warmth, by_steps))


def _slow(fast_25c: float, pack: Pack) -> float:
    """What minutes add to the resistance of a load step at 25 °C, ohm."""
    total = TOTAL_RESISTANCE_CELL_OHM_AH / pack.rated_ah * pack.cells_in_series
    return min(max(total - fast_25c, SLOW_SHARE[0] * fast_25c), SLOW_SHARE[1] * fast_25c)


def _open_circuit(soc: float, pack: Pack) -> tuple[float, float]:
    """Resting voltage of the pack while it is discharged, and its standard deviation, V."""
    soc = min(max(soc, 0.0), 1.0)
    cell_v = float(ocv.cell_voltage(soc)) - ocv.HYSTERESIS_V / 2
    around = np.clip([soc - 0.02, soc + 0.02], 0.0, 1.0)
    slope_v = float(np.ptp(ocv.cell_voltage(around))) / 2
    bottom_v = ocv.TABLE_SIGMA_V * float(np.interp(soc, [0.0, 0.1, 0.2], [1.0, 1.0, 0.0]))
    sigma_v = float(np.sqrt(PLATEAU_SIGMA_V**2 + (ocv.HYSTERESIS_V / 2) ** 2 + slope_v**2 + bottom_v**2))
    return pack.cells_in_series * cell_v, pack.cells_in_series * sigma_v


def _under(rest_v: float, ohm: float, watts: float) -> float:
    """Terminal voltage under a constant power, V; 0 where no voltage gives that power."""
    inside = rest_v**2 - 4 * watts * ohm
    return 0.0 if inside < 0 else (rest_v + float(np.sqrt(inside))) / 2


def _verdict(later: Estimate, stops_v: float) -> str:
    if later.low >= stops_v:
        return "carries"
    return "stops" if later.high < stops_v else "may_stop"


def _cautions(current_a: float, load: Load, pack: Pack) -> tuple[str, ...]:
    said = []
    limits = pack.limits
    if current_a > limits.continuous_current_a:
        said.append(
            f"{current_a:.0f} A is above the {limits.continuous_current_a:.0f} A the pack may give for long; its board may cut it off."
        )
    if load.temperature_c < 0.0:
        said.append("A frozen pack may be discharged within its sheet's limits, but not charged.")
    if current_a >= HIGH_CURRENT_A:
        said.extend(MUSTS)
    said.append("The figure is for the pack's terminals; cables and joints on the way take their share besides.")
    return tuple(said)
