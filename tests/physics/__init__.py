"""A physics simulator's LiFePO4 cell as a black box, by PyBaMM, which is never to ask or to send anything here."""

import os

os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"
