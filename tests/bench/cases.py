"""Cases: simulated and practice logs with their truth; simulations are kept in the user's cache folder."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import platformdirs

from logbook.ingest import ImportOptions, read_export
from logbook.schema.pack import Limits, Pack
from logbook.schema.reading import Readings
from tests.simulator import SCENARIOS, ColdSpan, Simulated, SuddenLossTruth, Truth, simulate_many

if TYPE_CHECKING:
    from collections.abc import Iterable

PROJECT = Path(__file__).resolve().parents[2]
PRACTICE = PROJECT.parent / "shared" / "cases"


@dataclass(frozen=True)
class CaseKey:
    """Which case: a simulated kind with its seed, or a practice case (seed None)."""

    kind: str
    seed: int | None = None

    @property
    def name(self) -> str:
        """For tables."""
        return self.kind if self.seed is None else f"{self.kind} {self.seed}"


def practice_keys() -> list[CaseKey]:
    """The practice cases, none where they are not beside the project."""
    listed = PRACTICE / "truth.json"
    return [CaseKey(name) for name in json.loads(listed.read_text("utf-8"))] if listed.exists() else []


def load(key: CaseKey) -> Simulated:
    """The log, pack and truth of a case; simulations must have been made by `make`."""
    return _practice(key.kind) if key.seed is None else _kept(key)


def missing(keys: Iterable[CaseKey]) -> list[CaseKey]:
    """Simulations not in the cache."""
    return [key for key in keys if key.seed is not None and not _place(key).exists()]


def make(keys: list[CaseKey]) -> int:
    """Simulate and keep these; returns how many."""
    for key, result in zip(
        keys, simulate_many([(SCENARIOS[key.kind], int(key.seed or 0)) for key in keys]), strict=True
    ):
        _keep(key, result)
    return len(keys)


def _place(key: CaseKey) -> Path:
    return cache_folder() / f"{key.kind}-{key.seed}.npz"


def cache_folder() -> Path:
    """One folder per version of the simulator's source."""
    source = hashlib.sha256()
    for name in ("circuit", "curve", "monitor", "run", "scenario", "truth", "usage"):
        source.update((PROJECT / "tests" / "simulator" / f"{name}.py").read_bytes())
    folder = Path(platformdirs.user_cache_dir("logbook-bench")) / source.hexdigest()[:12]
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _keep(key: CaseKey, result: Simulated) -> None:
    columns = result.readings.columns()
    told = json.dumps({"truth": asdict(result.truth), "rated_ah": result.pack.rated_ah})
    rough = _place(key).with_suffix(".part.npz")
    np.savez(rough, told=np.array(told), state_ms=result.state_ms, state=result.state, **columns)
    rough.replace(_place(key))


def _kept(key: CaseKey) -> Simulated:
    with np.load(_place(key)) as stored:
        told = json.loads(str(stored["told"]))
        readings = Readings(**{entry.name: stored[entry.name] for entry in fields(Readings) if entry.name in stored})
        state_ms, state = stored["state_ms"], stored["state"]
    truth = dict(told["truth"])
    truth["cold_charging"] = tuple(ColdSpan(**span) for span in truth["cold_charging"])
    truth["sudden_loss"] = SuddenLossTruth(**truth["sudden_loss"]) if truth["sudden_loss"] else None
    return Simulated(readings, pack_of(key.name, told["rated_ah"]), Truth(**truth), state_ms, state)


def pack_of(name: str, rated_ah: float, cells: int = 4) -> Pack:
    """A pack with default limits."""
    return Pack(1, name, "lfp", cells, rated_ah, Limits.defaults(rated_ah, cells))


def _practice(name: str) -> Simulated:
    told: dict[str, Any] = json.loads((PRACTICE / "truth.json").read_text("utf-8"))[name]
    readings = _practice_readings(name, told)
    truth = told["truth"]
    spans = tuple(_practice_span(span, readings) for span in truth["cold_charging"])
    loss = truth["capacity_ah_start"] - truth["capacity_ah_end"]
    return Simulated(
        readings,
        pack_of(name, float(told["rated_ah"]), told["cells_in_series"]),
        Truth(
            kind=name,
            seed=-1,
            capacity_ah_start=truth["capacity_ah_start"],
            capacity_ah_end=truth["capacity_ah_end"],
            current_offset_a=truth["current_offset_a"],
            gain_error=float("nan"),
            cold_charging=spans,
            equivalent_full_cycles_logged=truth["equivalent_full_cycles_logged"],
            pack_resistance_milliohm_25c=truth["pack_resistance_milliohm_25c"],
            pack_resistance_milliohm_25c_start=float("nan"),
            unseen_loss_percent_per_month=truth["unseen_loss_percent_per_month"],
            parked_load_a=truth["parked_load_a"],
            dead_band_a=float("nan"),
            # The time of the loss is not told; its size is the year's loss less the usual 2 Ah.
            sudden_loss=SuddenLossTruth(0, loss - 2.0) if "sudden" in name else None,
            lowest_soc_percent=truth["lowest_true_soc_percent"],
            under_voltage_cutoffs=truth["under_voltage_cutoffs"],
            over_current_trips=truth["over_current_trips"],
            proven_empties_logged=truth["under_voltage_cutoffs"],
            days=round((readings.ts_ms[-1] - readings.ts_ms[0]) / 86_400_000),
        ),
        state_ms=np.empty(0, np.int64),
        state=np.empty(0, np.float32),
    )


def _practice_readings(name: str, told: dict[str, Any]) -> Readings:
    """Read the export once and keep its readings beside the simulations."""
    file = PRACTICE / told["file"]
    place = cache_folder().parent / f"{name}-{hashlib.sha256(file.read_bytes()).hexdigest()[:12]}.npz"
    if not place.exists():
        options = ImportOptions(
            time_zone=told["timezone"],
            positive=told["current_positive"],
            cells_in_series=told["cells_in_series"],
            rated_ah=told["rated_ah"],
        )
        readings = read_export(file, options).readings
        rough = place.with_suffix(".part.npz")
        np.savez(rough, **readings.columns())
        rough.replace(place)
    with np.load(place) as stored:
        return Readings(**{entry.name: stored[entry.name] for entry in fields(Readings) if entry.name in stored})


def _practice_span(span: dict[str, Any], readings: Readings) -> ColdSpan:
    """The practice truth with what can be said of its log: whole spans only count as logged Ah."""
    start_ms, end_ms = int(span["start"] * 1000), int(span["end"] * 1000)
    inside = readings.between(start_ms, end_ms + 1)
    interval_ms = float(np.median(np.diff(readings.ts_ms)))
    whole = bool(len(inside)) and len(inside) * interval_ms >= 0.97 * (end_ms - start_ms) - 2 * interval_ms
    samples = int((inside.current_a > 0).sum()) if span["logged"] else 0
    logged_ah = float(span["ah"]) if whole else float("nan")
    return ColdSpan(start_ms, end_ms, float(span["ah"]), float(span["tmin"]), bool(span["logged"]), samples, logged_ah)


__all__ = ["CaseKey", "cache_folder", "load", "make", "missing", "pack_of", "practice_keys"]
