"""Allocator: in a program that soon ends, memory that was freed is kept for the next array.

Else the C library gives each large array back to the system, which clears every page of the next: a tenth of the time
of a long import, for which it holds some 60 MB more. Arrow, which has an allocator of its own, is told to use this one.
"""

from __future__ import annotations

import sys
from typing import Any

TRIM_THRESHOLD, MMAP_THRESHOLD = -1, -3
"""Names of the two settings in <malloc.h> (mallopt(3))."""
LARGE_BYTES = 1 << 30
SPARING_BYTES = 4 << 20


def keep_freed() -> bool:
    """Keep freed memory from now on; tells whether this system's C library has been told to."""
    mallopt = _function("mallopt")
    if mallopt is None:
        return False
    told = bool(mallopt(TRIM_THRESHOLD, LARGE_BYTES) and mallopt(MMAP_THRESHOLD, LARGE_BYTES))
    if told:
        import pyarrow as pa  # noqa: PLC0415

        pa.set_memory_pool(pa.system_memory_pool())
    return told


def keep_no_more() -> None:
    """Give large arrays back to the system when they are freed, from now on: what is left of many is in no shape for others."""
    mallopt = _function("mallopt")
    if mallopt is not None:
        mallopt(MMAP_THRESHOLD, SPARING_BYTES)


def give_back() -> None:
    """Give freed memory back to the system, where that can be done: what comes next may need less, or in other shapes."""
    trim = _function("malloc_trim")
    if trim is not None:
        trim(0)


def _function(name: str) -> Any:
    """Give a function of the C library; None on systems other than Linux, or where the library has none of the name."""
    if not sys.platform.startswith("linux"):
        return None
    import ctypes  # noqa: PLC0415 - most commands do without

    return getattr(ctypes.CDLL(None), name, None)
