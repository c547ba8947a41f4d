"""Keeps the program's end off a library in C that a thread is still in.

libusb and PortAudio are closed by hooks of :mod:`atexit`. A listing that goes on in another thread
would then read what was freed, and a program that had ended well would die of it.

Threads: *end-waits*, one a library. A hook of our own would come too late, after those of a library
that was imported later; threads that are no daemons are waited for before any hook.
"""

from __future__ import annotations

import contextlib
import threading
from functools import cache

_LONGEST_S = 5.0


@cache
def end_waits_for(lock: threading.Lock, longest_s: float = _LONGEST_S) -> None:
    """Have the program's end wait until nobody holds a lock, and let nobody have it from then on.

    To say so of the same lock again changes nothing.

    Parameters
    ----------
    lock : threading.Lock
        Held by whoever is in the library.
    longest_s : float
        Who holds it for longer hangs, and is waited for no longer.
    """

    def wait() -> None:
        threading.main_thread().join()
        lock.acquire(timeout=longest_s)

    # While the program ends no thread can be begun any more, and none is needed.
    with contextlib.suppress(RuntimeError):
        threading.Thread(target=wait, name="end-waits").start()
