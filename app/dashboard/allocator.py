"""What the C library keeps of memory that was freed, where it is glibc's.

By itself that takes large blocks from the system and gives them back, until one of them is freed:
from then on all up to this size lie among the small ones, in a heap for each of several threads,
and leave holes there. A window's pictures of several megabytes made such heaps grow without end.
Smaller ones that are freed stay with the program, as pages of holes between what is in use, unless
it asks for them to be given back.

Threads: everything here is called in the thread of the GUI.
"""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Callable

from PySide6.QtCore import QObject, QTimer

_LARGE_BYTES = 1 << 20
_HEAPS = 2
_EACH_MS = 60_000
# As `malloc.h` numbers them.
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8


def give_back_large_blocks() -> bool:
    """Have large blocks go back to the system whenever they are freed.

    Returns
    -------
    bool
        Whether the library has agreed; another than glibc's is left as it is.
    """
    tell = _of_the_library("mallopt")
    if tell is None:
        return False
    settings = (
        (_MMAP_THRESHOLD, _LARGE_BYTES),
        (_TRIM_THRESHOLD, _LARGE_BYTES),
        (_ARENA_MAX, _HEAPS),
    )
    return all(bool(tell(setting, value)) for setting, value in settings)


def give_back_each_minute(parent: QObject) -> QTimer:
    """Give back pages of holes once a minute, as long as the parent lives.

    It costs less than a frame of the window. What it brings `python -m tests.soak` shows.
    """
    timer = QTimer(parent, interval=_EACH_MS)
    timer.timeout.connect(give_back_holes)
    timer.start()
    return timer


def give_back_holes() -> bool:
    """Give pages without anything in use back to the system; return whether there were any."""
    trim = _of_the_library("malloc_trim")
    return trim is not None and bool(trim(0))


def _of_the_library(name: str) -> Callable[..., int] | None:
    """Return a function that glibc alone has, None where it is another library."""
    return getattr(ctypes.CDLL(None), name, None) if sys.platform == "linux" else None
