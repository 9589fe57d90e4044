"""Anchors against the simulator's true state: bias and scatter of each kind, percent of capacity.

`python -m tests.bench.anchors [--seeds 14] [--kinds a,b]` after a run of the accuracy bench has made the simulations.
Pull is the error over the anchor's own sigma: of honest sigmas its standard deviation is 1.
"""

from __future__ import annotations

import argparse

import numpy as np
import pandas as pd

from logbook.analysis.digest import digest
from tests.bench.cases import CaseKey, load, missing
from tests.simulator import SCENARIOS


def errors_of(key: CaseKey) -> pd.DataFrame:
    """Every anchor of a case with its error (told less true, percent)."""
    case = load(key)
    found = digest(case.readings, case.pack)["anchors"]
    true = np.interp(found["start_ms"].to_numpy(float), case.state_ms.astype(float), case.state.astype(float))
    return found.assign(
        case=key.name,
        scenario=key.kind,
        true_soc=true,
        error_percent=100.0 * (found["soc"] - true),
        pull=(found["soc"] - true) / found["sigma"],
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=14)
    parser.add_argument("--kinds", default=",".join(SCENARIOS))
    chosen = parser.parse_args()
    keys = [CaseKey(kind, seed) for kind in chosen.kinds.split(",") for seed in range(1, chosen.seeds + 1)]
    absent = missing(keys)
    if absent:
        parser.error(f"{len(absent)} simulations are missing, first {absent[0].name}: run tests.bench.accuracy before")
    found = pd.concat([errors_of(key) for key in keys], ignore_index=True)
    found = found[(found["edge"] != "leave") | (found["kind"] == "rested_full")]
    for by in (["kind"], ["scenario", "kind"]):
        groups = found.groupby(by)
        table = pd.DataFrame(
            {
                "n": groups.size(),
                "bias": groups["error_percent"].mean(),
                "sd": groups["error_percent"].std(),
                "5 %": groups["error_percent"].quantile(0.05),
                "95 %": groups["error_percent"].quantile(0.95),
                "pull sd": groups["pull"].apply(lambda pull: float(np.sqrt(np.mean(pull**2)))),
            }
        )
        print(table.round(2).to_string())
    worst = found.reindex(found["pull"].abs().sort_values(ascending=False).index).head(15)
    print(worst[["case", "kind", "soc", "true_soc", "sigma", "voltage_v", "current_a", "temperature_c"]].to_string())


if __name__ == "__main__":
    main()
