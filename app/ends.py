"""What asks the program to end: Ctrl-C, a request, the terminal that closes."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager

ENDS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)


@contextmanager
def heard(act: Callable[[int], object]) -> Iterator[None]:
    """Do that at each of them, with its number; for the main thread.

    One that whoever started the program has it ignore, as nohup does the terminal's closing, stays
    ignored.
    """
    before = {
        kind: handler for kind in ENDS if (handler := signal.getsignal(kind)) is not signal.SIG_IGN
    }
    try:
        for kind in before:
            signal.signal(kind, lambda number, _: act(number))
        yield
    finally:
        for kind, handler in before.items():
            signal.signal(kind, handler)
