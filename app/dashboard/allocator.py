"""What the C library keeps of memory that was freed, where it is glibc's.

By itself that takes large blocks from the system and gives them back, until one of them is freed:
from then on all up to this size lie among the small ones, in a heap for each of several threads,
and leave holes there. A window's pictures of several megabytes made such heaps grow without end.
"""

from __future__ import annotations

import ctypes
import sys

_LARGE_BYTES = 1 << 20
_HEAPS = 2
# As `malloc.h` numbers them.
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8


def give_back_large_blocks() -> bool:
    """Have large blocks go back to the system whenever they are freed.

    Returns
    -------
    bool
        Whether the library has agreed; another than glibc's is left as it is.
    """
    if sys.platform != "linux":
        return False
    tell = getattr(ctypes.CDLL(None), "mallopt", None)
    if tell is None:
        return False
    settings = (
        (_MMAP_THRESHOLD, _LARGE_BYTES),
        (_TRIM_THRESHOLD, _LARGE_BYTES),
        (_ARENA_MAX, _HEAPS),
    )
    return all(bool(tell(setting, value)) for setting, value in settings)
