"""Arrow: kept from loading pandas, a sixth of a second that an import can do without.

Arrow looks for pandas when it first meets an array, once in a program, to know its frames. Logbook hands it numpy's
arrays alone; where an answer needs pandas it loads it itself.
"""

from __future__ import annotations

import sys
from importlib.abc import MetaPathFinder
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import ModuleType

PANDAS = "pandas"


class _Hidden(MetaPathFinder):
    """Finds no pandas, and leaves all else to the finders after it."""

    def find_spec(self, fullname: str, _path: Sequence[str] | None, _target: ModuleType | None = None) -> None:
        if fullname == PANDAS:
            raise ModuleNotFoundError(fullname, name=fullname)


def leave_pandas_out() -> bool:
    """Let Arrow find no pandas in this program; tells whether it does without, which it cannot where pandas is loaded."""
    if PANDAS in sys.modules:
        return False
    import pyarrow as pa  # noqa: PLC0415 - other commands do without

    hidden = _Hidden()
    sys.meta_path.insert(0, hidden)
    try:
        pa.array([0]).to_numpy()
    finally:
        sys.meta_path.remove(hidden)
    return True
