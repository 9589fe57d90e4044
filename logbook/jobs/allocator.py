"""Allocator: in a program that soon ends, memory that was freed is kept for the next array.

Else the C library gives each large array back to the system, which clears every page of the next: a tenth of the time
of a long import, for which it holds some 60 MB more. Arrow, which has an allocator of its own, is told to use this one.
"""

from __future__ import annotations

import sys

TRIM_THRESHOLD, MMAP_THRESHOLD = -1, -3
"""Names of the two settings in <malloc.h> (mallopt(3))."""
LARGE_BYTES = 1 << 30


def keep_freed() -> bool:
    """Keep freed memory from now on; tells whether this system's C library has been told to."""
    if not sys.platform.startswith("linux"):
        return False
    import ctypes  # noqa: PLC0415 - most commands do without

    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is None:
        return False
    told = bool(mallopt(TRIM_THRESHOLD, LARGE_BYTES) and mallopt(MMAP_THRESHOLD, LARGE_BYTES))
    if told:
        import pyarrow as pa  # noqa: PLC0415

        pa.set_memory_pool(pa.system_memory_pool())
    return told
