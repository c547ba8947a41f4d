"""The needle in a terminal: one line of text that moves."""

from __future__ import annotations

import shutil
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Self, TextIO

from app.analysis.reading import Reading, Sign
from app.session import Session
from app.view import Phase, View
from app.words import VIRTUAL, plus_minus

_FRAME_S = 0.1
_LINE_S = 0.5
"""Where lines cannot be written over, one is written this often."""
_HALF = 20
_FULL_BALANCE = 0.25


def needle_text(view: View) -> str:
    """Return one line: the needle, or why it is parked."""
    reading = view.reading
    mark = f"[{VIRTUAL}] " if view.virtual else ""
    if view.phase in (Phase.FAILED, Phase.LOST) and view.message:
        return f"{mark}parked: {view.message}"
    if reading is None:
        return f"{mark}parked: {view.message or 'waiting for the source'}"
    if not reading.valid:
        why = "; ".join(str(reason) for reason in reading.reasons)
        return f"{mark}parked: {why}"
    return mark + _scale(reading)


def _scale(reading: Reading) -> str:
    assert reading.balance and reading.ratio and reading.offset_um
    place = round(reading.balance.value / _FULL_BALANCE * _HALF)
    place = min(max(place, -_HALF), _HALF)
    cells = ["·"] * (2 * _HALF + 1)
    cells[_HALF] = "┼"
    cells[_HALF + place] = "█"
    left, right = ("inward", "outward") if reading.sign is not Sign.UNKNOWN else ("", "magnitude")
    return (
        f"{left} {''.join(cells)} {right}  ratio {plus_minus(reading.ratio)}  "
        f"offset {plus_minus(reading.offset_um, ' µm')}  set {reading.set_limit}"
    )


def run_meter(
    session: Session,
    out: TextIO,
    seconds: float | None,
    clock: Callable[[], float] = time.monotonic,
) -> View:
    """Show the session's needle until it ends, fails, `seconds` are over, or it is interrupted.

    Parameters
    ----------
    session : Session
        Already opening its source.
    out : text file
        Where to; lines are written over when it is a terminal.
    seconds : float or None
        How long at most.

    Returns
    -------
    View
        The last one.
    """
    rewrites = out.isatty()
    until_s = None if seconds is None else clock() + seconds
    with interrupted() as stop:
        while True:
            view = session.view()
            _show(out, needle_text(view), rewrites)
            over = until_s is not None and clock() >= until_s
            if over or stop.is_set() or view.phase in (Phase.ENDED, Phase.FAILED):
                break
            stop.wait(_FRAME_S if rewrites else _LINE_S)
    if rewrites:
        out.write("\n")
        out.flush()
    return view


def _show(out: TextIO, line: str, rewrites: bool) -> None:
    if rewrites:
        width = shutil.get_terminal_size().columns
        out.write("\r\x1b[K" + line[: width - 1])
    else:
        out.write(line + "\n")
    out.flush()


@contextmanager
def interrupted() -> Iterator[threading.Event]:
    """Give an event that Ctrl-C or a request to end sets, instead of an exception."""
    stop = threading.Event()
    kinds = (signal.SIGINT, signal.SIGTERM)
    before = {kind: signal.signal(kind, lambda *_: stop.set()) for kind in kinds}
    try:
        yield stop
    finally:
        for kind, handler in before.items():
            signal.signal(kind, handler)


class Progress:
    """A line on the error output that says how far long work has come; silent elsewhere."""

    _AFTER_S = 0.5

    def __init__(self, what: str) -> None:
        self._what = what
        self._shows = sys.stderr.isatty()
        self._next_s = time.monotonic() + self._AFTER_S
        self._wrote = False

    def show(self, part: float) -> None:
        """Say that `part`, 0 to 1, is done."""
        now_s = time.monotonic()
        if self._shows and now_s >= self._next_s:
            self._next_s = now_s + self._AFTER_S
            self._wrote = True
            sys.stderr.write(f"\r\x1b[K{self._what} … {100 * part:.0f} %")
            sys.stderr.flush()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._wrote:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
