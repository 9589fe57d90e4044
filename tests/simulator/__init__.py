"""An independent circuit simulator of a four-cell LiFePO4 house battery, with a known truth.

Invented data: it tests that computations find what was put in and says nothing about any real cell.
Its open-circuit curves are drawn at random per seed and owe nothing to the tables the estimator uses.
"""

from tests.simulator.run import Simulated, simulate, simulate_many
from tests.simulator.scenario import SCENARIOS, Scenario
from tests.simulator.truth import ColdSpan, SuddenLossTruth, Truth

__all__ = [
    "SCENARIOS",
    "ColdSpan",
    "Scenario",
    "Simulated",
    "SuddenLossTruth",
    "Truth",
    "simulate",
    "simulate_many",
]
