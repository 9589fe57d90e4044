"""Accuracy of the answers on the practice cases and on seeded simulations, against the aims.

`--thinned 15` keeps every fifteenth reading only, which tells whether intervals still hold where samples are coarse.
`python -m tests.bench.accuracy [--seeds 14] [--first-seed 1] [--kinds a,b] [--no-practice] [--worst 8]`
Simulations are kept in the user's cache folder; the first run makes them (a few minutes), later ones only judge.
"""

from __future__ import annotations

import argparse
import os
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from rich.console import Console
from rich.table import Table

from logbook.analysis.answer import answer
from logbook.analysis.digest import digest
from tests.bench.cases import CaseKey, load, make, missing, practice_keys
from tests.bench.judge import Judged, Score, judge
from tests.simulator import SCENARIOS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

WORKERS = 2
BATCH = 52
IDLE_KINDS = ("parked_logged", "p6-parked-always-logged")
FINE_KINDS = ("ten_second", "one_second")
"""Short logs, fine enough for a resistance."""
BLIND_KINDS = ("never_full", "never_deep", "no_proven_empty", "p3-never-deep")
"""Shallow use only, or never quite full."""
COARSE_KINDS = ("five_minute",)


def evaluate(key: CaseKey, thinned: int = 1) -> Score:
    """Digest, answer and judge one case, or what is left of it; each starts at another of the readings left out."""
    case = load(key)
    readings = case.readings.taken(slice((key.seed or 0) % thinned, None, thinned))
    started = time.perf_counter()
    health = answer(digest(readings, case.pack), case.pack)
    return judge(health, case.truth, case.pack.rated_ah, time.perf_counter() - started)


def scores_of(keys: Sequence[CaseKey], thinned: int = 1) -> list[Score]:
    """Every case judged, simulations made first where they are missing."""
    absent = sorted(missing(keys), key=lambda key: (SCENARIOS[key.kind].days, SCENARIOS[key.kind].dt_s))
    os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"
    with ProcessPoolExecutor(WORKERS) as pool:
        size = max(1, min(BATCH, -(-len(absent) // WORKERS)))
        for count in pool.map(make, [absent[start : start + size] for start in range(0, len(absent), size)]):
            print(f"simulated {count}", flush=True)
        return list(pool.map(partial(evaluate, thinned=thinned), keys, chunksize=2))


@dataclass(frozen=True)
class Aim:
    """One line of the table of aims."""

    what: str
    aim: str
    value: str
    met: bool | None


def _array(values: Iterable[float]) -> np.ndarray:
    found = np.array(list(values), float)
    return found[np.isfinite(found)]


def _median(values: np.ndarray) -> float:
    return float(np.median(values)) if values.size else float("nan")


def _worst(values: np.ndarray) -> float:
    return float(values.max()) if values.size else float("nan")


def _errors(scores: Iterable[Score], part: Callable[[Score], Judged]) -> np.ndarray:
    return np.abs(_array(part(score).error for score in scores))


def _cover(scores: Iterable[Score], part: Callable[[Score], Judged]) -> float:
    held = _array(part(score).held for score in scores)
    return float(held.mean()) if held.size else float("nan")


def wrong_verdict(score: Score) -> bool:
    """A verdict that is neither the true one nor `undetermined`."""
    return score.verdict not in ("undetermined", score.true_verdict)


def confidently_wrong(score: Score) -> bool:
    """A wrong verdict whose whole interval agrees with it."""
    return wrong_verdict(score) and score.confident


def aims(scores: list[Score]) -> list[Aim]:
    """The aims and what was reached."""
    deep = [score for score in scores if score.deep]
    anchored = [score for score in deep if score.kind not in (*BLIND_KINDS, *COARSE_KINDS, *FINE_KINDS)]
    shallow = [score for score in scores if score.empties == 0]
    lossy = [score for score in scores if score.losses_true]
    whole = [score for score in scores if not score.losses_true]
    idle = [score for score in scores if score.kind in IDLE_KINDS]
    minute = [score for score in scores if score.kind not in COARSE_KINDS]
    error = _errors(deep, lambda score: score.capacity)
    cover, cover_deep = _cover(scores, lambda score: score.capacity), _cover(deep, lambda score: score.capacity)
    width = _median(_array(score.capacity.width for score in anchored))
    bad = [score for score in shallow if confidently_wrong(score) or score.capacity.held == 0.0]
    confident = [score for score in scores if confidently_wrong(score)]
    wrong = [score for score in scores if wrong_verdict(score)]
    offset = _errors(scores, lambda score: score.offset)
    offset_cover = _cover(scores, lambda score: score.offset)
    bounds = _array(score.bound_percent for score in scores)
    days = np.abs(_array(score.loss_days for score in lossy))
    loss_error = _errors(lossy, lambda score: score.loss)
    found = sum(score.losses_found > 0 for score in lossy)
    false_losses = sum(score.losses_found for score in whole)
    due, hit = sum(score.cold_due for score in scores), sum(score.cold_found for score in scores)
    told, invented = sum(score.cold_told for score in scores), sum(score.cold_invented for score in scores)
    cold_ah = np.abs(_array(score.cold_ah_error for score in scores))
    cycles = np.abs(_array(score.cycles_error for score in minute))
    idle_error, idle_cover = _errors(idle, lambda score: score.idle), _cover(idle, lambda score: score.idle)
    ohm, ohm_cover = _errors(scores, lambda score: score.resistance), _cover(scores, lambda score: score.resistance)
    seconds = _array(score.seconds for score in scores)
    found_share = hit / due if due else float("nan")
    return [
        Aim(
            f"capacity, two proven empties or more (n={len(deep)}): median error",
            "≤ 0.8 % of rated",
            f"{_median(error):.2f} %",
            _median(error) <= 0.8,
        ),
        Aim("… worst", "≤ 3 %", f"{_worst(error):.2f} %", _worst(error) <= 3.0),
        Aim(
            "90 % interval of capacity holds the truth",
            "85–97 %",
            f"{cover:.1%} of all, {cover_deep:.1%} of those",
            0.85 <= cover <= 0.97,
        ),
        Aim("… median width, proven full and empty", "≤ 4.5 % of rated", f"{width:.2f} %", width <= 4.5),
        Aim(
            f"shallow use only (n={len(shallow)}): outside the interval, or wrong",
            "0",
            f"{len(bad)}",
            not bad,
        ),
        Aim(
            "confident wrong verdicts, all cases",
            "0",
            f"{len(confident)} of {len(scores)}, and {len(wrong) - len(confident)} wrong near a limit",
            not confident,
        ),
        Aim("current offset: median error", "≤ 0.03 A", f"{_median(offset):.3f} A", _median(offset) <= 0.03),
        Aim("… interval holds", "about 90 %", f"{offset_cover:.1%} of {offset.size}", offset_cover >= 0.85),
        Aim(f"sudden loss (n={len(lossy)}): found", "all", f"{found}", found == len(lossy)),
        Aim("… dated", "≤ 20 days", f"median {_median(days):.0f}, worst {_worst(days):.0f}", _worst(days) <= 20),
        Aim(
            "… size",
            "≤ 4 % of rated",
            f"median {_median(loss_error):.1f}, worst {_worst(loss_error):.1f}",
            _worst(loss_error) <= 4.0,
        ),
        Aim(f"… found where there is none (n={len(whole)})", "0", f"{false_losses}", false_losses == 0),
        Aim(f"cold charging (n={due}): found", "≥ 97 %", f"{found_share:.1%}", found_share >= 0.97),
        Aim(
            "… invented",
            "≤ 2 %",
            f"{invented} of {told}",
            invented <= 0.02 * told,
        ),
        Aim(
            "… Ah a case",
            "≤ 5 %",
            f"median {100 * _median(cold_ah):.1f} %, worst {100 * _worst(cold_ah):.0f} %",
            _median(cold_ah) <= 0.05,
        ),
        Aim(
            "equivalent full cycles",
            "≤ 1.5 %",
            f"median {100 * _median(cycles):.2f} %, worst {100 * _worst(cycles):.2f} %",
            _worst(cycles) <= 0.015,
        ),
        Aim(
            f"idle loss, parked log (n={len(idle)})",
            "≤ 15 %, inside",
            f"median {100 * _median(idle_error):.0f} %, worst {100 * _worst(idle_error):.0f} %, "
            f"inside {idle_cover:.0%}, declined {len(idle) - idle_error.size}",
            _worst(idle_error) <= 0.15,
        ),
        Aim(
            "series resistance",
            "≤ 15 % or refused",
            f"median {100 * _median(ohm):.1f} %, worst {100 * _worst(ohm):.0f} %, inside {ohm_cover:.0%}, "
            f"refused {len(scores) - ohm.size}",
            _worst(ohm) <= 0.15,
        ),
        Aim(
            "lower bound of capacity: above the truth",
            "0",
            f"{int((bounds > 0).sum())} of {bounds.size}, median {_median(bounds):.0f} % of rated",
            bool((bounds <= 0).all()),
        ),
        Aim("digest and answer", "", f"median {_median(seconds):.2f} s, worst {_worst(seconds):.2f} s", None),
    ]


def by_kind(scores: list[Score]) -> Table:
    """One row a kind."""
    table = Table(title="by kind: capacity in percent of rated; |error| as median / worst", header_style="")
    columns = (
        "kind", "n", "error", "inside", "width", "undet.", "wrong", "offset A", "inside", "loss", "cold", "inv.",
        "cold Ah %", "EFC %", "idle %", "inside", "R %", "inside",
    )  # fmt: skip
    for column in columns:
        table.add_column(column, justify="left" if column == "kind" else "right", no_wrap=True)
    for kind in dict.fromkeys(score.kind for score in scores):
        table.add_row(kind, *_kind_row([score for score in scores if score.kind == kind]))
    return table


def _kind_row(some: list[Score]) -> list[str]:
    def pair(values: np.ndarray, digits: int) -> str:
        return f"{_median(values):.{digits}f} / {_worst(values):.{digits}f}" if values.size else "–"

    def cover(part: Callable[[Score], Judged]) -> str:
        held = _array(part(score).held for score in some)
        return f"{int(held.sum())}/{held.size}" if held.size else "–"

    return [
        str(len(some)),
        pair(_errors(some, lambda score: score.capacity), 2),
        cover(lambda score: score.capacity),
        pair(_array(score.capacity.width for score in some), 1),
        str(sum(score.verdict == "undetermined" for score in some)),
        str(sum(wrong_verdict(score) for score in some)),
        pair(_errors(some, lambda score: score.offset), 3),
        cover(lambda score: score.offset),
        f"{sum(score.losses_found for score in some)}/{sum(score.losses_true for score in some)}",
        f"{sum(score.cold_found for score in some)}/{sum(score.cold_due for score in some)}",
        f"{sum(score.cold_invented for score in some)}/{sum(score.cold_told for score in some)}",
        pair(100 * np.abs(_array(score.cold_ah_error for score in some)), 1),
        pair(100 * np.abs(_array(score.cycles_error for score in some)), 2),
        pair(100 * _errors(some, lambda score: score.idle), 0),
        cover(lambda score: score.idle),
        pair(100 * _errors(some, lambda score: score.resistance), 1),
        cover(lambda score: score.resistance),
    ]


def worst_cases(scores: list[Score], count: int) -> list[str]:
    """The cases to look at first."""

    def told(score: Score) -> str:
        part = score.capacity
        return (
            f"{score.name}: capacity {part.error:+.2f} % (±{part.width / 2:.1f}, {score.verdict}, truth "
            f"{score.true_verdict} by {score.margin_percent:.1f} %), {score.empties} empties, offset {score.offset.error:+.3f} A"
        )

    outside = [score for score in scores if score.capacity.held == 0.0]
    outside.sort(key=lambda score: -abs(score.capacity.error) / score.capacity.width)
    wrong = [score for score in scores if wrong_verdict(score)]
    return [
        f"outside its interval ({len(outside)}):",
        *(f"  {told(score)}" for score in outside[:count]),
        f"wrong verdict ({len(wrong)}):",
        *(f"  {told(score)}" for score in wrong[:count]),
    ]


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=14, help="seeds of every kind (default 14: 224 simulations)")
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--kinds", default=",".join(SCENARIOS), help="which kinds, by comma")
    parser.add_argument("--no-practice", action="store_true")
    parser.add_argument("--worst", type=int, default=8, help="how many of the worst cases to list")
    parser.add_argument("--thinned", type=int, default=1, help="keep only every so many-th reading")
    chosen = parser.parse_args()
    kinds = [kind for kind in chosen.kinds.split(",") if kind]
    unknown = [kind for kind in kinds if kind not in SCENARIOS]
    if unknown:
        parser.error(f"unknown kind {unknown[0]!r}; there are {', '.join(SCENARIOS)}")
    seeds = range(chosen.first_seed, chosen.first_seed + chosen.seeds)
    keys = [CaseKey(kind, seed) for kind in kinds for seed in seeds]
    practice = [] if chosen.no_practice else practice_keys()
    if not practice and not chosen.no_practice:
        print("No practice cases beside the project: simulations only.")
    scores = scores_of([*practice, *keys], chosen.thinned)
    console = Console(width=230)
    console.print(by_kind(scores))
    simulated = [score for score in scores if score.name != score.kind]
    for title, some in (("practice cases", scores[: len(practice)]), ("simulations", simulated)):
        if not some:
            continue
        table = Table("what", "aim", "reached", "", title=title, header_style="")
        for aim in aims(some):
            judged = aim.met is not None and "nan" not in aim.value.split(",")[0]
            table.add_row(aim.what, aim.aim, aim.value, ("met" if aim.met else "missed") if judged else "")
        console.print(table)
    print("\n".join(worst_cases(scores, chosen.worst)))


if __name__ == "__main__":
    main()
