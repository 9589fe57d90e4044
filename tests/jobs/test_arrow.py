"""Arrow does without pandas, and what needs pandas still has it."""

from __future__ import annotations

import subprocess
import sys

ALONE = """
import sys
from logbook.jobs.arrow import leave_pandas_out
done = leave_pandas_out()
import numpy as np
import pyarrow as pa
values = pa.array(np.arange(3.0), mask=np.array([False, True, False]))
pa.table({"a": pa.chunked_array([values])}).column(0).to_numpy()
before = "pandas" in sys.modules
import pandas as pd
print(done, before, values.to_pylist(), int(pd.Series([1, 2]).sum()), leave_pandas_out())
"""


def test_arrays_pass_without_pandas_and_frames_are_still_to_be_had():
    done = subprocess.run([sys.executable, "-c", ALONE], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "True False [0.0, None, 2.0] 3 False"


def test_arrow_loads_pandas_else():
    """What makes the trick worth its while; where this fails it is no longer needed."""
    code = "import sys, numpy as np, pyarrow as pa; pa.array(np.arange(3)).to_numpy(); print('pandas' in sys.modules)"

    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "True"
