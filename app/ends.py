"""What asks the program to end: Ctrl-C, a request, the terminal that closes."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager

ENDS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)
_BY_SIGNAL = 128
"""To which a shell adds a signal's number in the exit status of a program that it has ended."""
_ending: BaseException | None = None
_is_held_off = False
"""What `end` has raised, or is to raise once what is put away is. The one writer of both is the
main thread, in which signals are heard."""


def status_of(kind: int) -> int:
    """Return the exit status of a program that a signal has ended."""
    return _BY_SIGNAL + kind


def end(kind: int) -> None:
    """End the program as a signal asks: by an exception, so that what is half done is put away.

    That may be a file in the making, what a scope was set to, a program that was started.

    Raises
    ------
    KeyboardInterrupt, SystemExit
        The first where it is Ctrl-C.
    """
    global _ending
    is_first = _ending is None
    _ending = KeyboardInterrupt() if kind == signal.SIGINT else SystemExit(status_of(kind))
    if not (_is_held_off and is_first):
        raise _ending


@contextmanager
def end_held_off() -> Iterator[None]:
    """Let what is put away here be put away before the program ends; for the main thread.

    Whoever asks a second time is heard at once.
    """
    global _is_held_off
    before, _is_held_off = _ending, True
    try:
        yield
    finally:
        _is_held_off = False
    if _ending is not before:
        end_if_asked()


def end_if_asked() -> None:
    """Raise once more what :func:`end` has raised, where it has.

    For where a library has lost it: it calls a function of ours, in which the signal is heard, and
    knows only that this failed.
    """
    if _ending is not None:
        raise _ending from None


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
