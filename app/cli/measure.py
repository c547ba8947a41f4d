"""The needle in a terminal: a line of text that moves; and whether there can be a window at all."""

from __future__ import annotations

import ctypes
import math
import os
import shutil
import socket
import sys
import textwrap
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Self, TextIO

from app.analysis.results import Reading, Sign
from app.cli.output import INK_OF, Ink, has_colour, inked, plain, rewrites
from app.cli.readings import SHORTEST_PAUSE_S, NewReadings, objects
from app.ends import heard
from app.live.session import Session
from app.live.view import Phase, View, reading_age_s
from app.numbers import Unit
from app.text import (
    VIRTUAL,
    in_lines,
    offset_words,
    plus_minus,
    provisos_of,
    rate_words,
    roles_note,
)


def display_fault() -> str | None:
    """Tell why there can be no window, None when there can be one.

    Asked without Qt: where Qt finds no display, it ends the process.
    """
    if os.environ.get("QT_QPA_PLATFORM") or not sys.platform.startswith("linux"):
        return None
    wayland, x11 = os.environ.get("WAYLAND_DISPLAY"), os.environ.get("DISPLAY")
    if wayland and _wayland_answers(wayland):
        return None
    if not x11:
        return f"no display answers at “{wayland}”" if wayland else "there is no display"
    return _x11_fault(x11)


def _wayland_answers(name: str) -> bool:
    path = os.path.join(os.environ.get("XDG_RUNTIME_DIR", ""), name)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
        link.settimeout(1.0)
        try:
            link.connect(path)
        except OSError:
            return False
    return True


def _x11_fault(name: str) -> str | None:
    """Connect as Qt would, by the library that Qt uses, and with the same rights."""
    try:
        xcb = ctypes.CDLL("libxcb.so.1")
        ctypes.CDLL("libxcb-cursor.so.0")  # Qt does not do without it, and many systems lack it
    except OSError as fault:
        return f"{str(fault).partition(':')[0]} is missing; install it"
    xcb.xcb_connect.restype = ctypes.c_void_p
    for function in (xcb.xcb_connection_has_error, xcb.xcb_disconnect):
        function.argtypes = [ctypes.c_void_p]
    connection = xcb.xcb_connect(os.fsencode(name), None)
    failed = xcb.xcb_connection_has_error(connection)
    xcb.xcb_disconnect(connection)
    return f"no display answers at “{name}”" if failed else None


_FRAME_S = 0.1
_LINE_S = 0.5
"""Where lines cannot be written over, one is written this often."""
_UNBOUND = 120
_FULL_BALANCE = 0.25
_FEWEST, _MOST = 13, 41
_AT = "█"
PARKED = "parked"
Limits = tuple[float, float]
"""The class's set and check limit, as differences of the lobes."""


class Interrupt:
    """Whether somebody asked for the end.

    A plain attribute: a signal's handler that took a lock could wait for the very thread that it
    interrupts.
    """

    asked = False


@contextmanager
def interrupted() -> Iterator[Interrupt]:
    """Let Ctrl-C, a request to end, or the terminal's closing be noted instead of raised."""
    stop = Interrupt()

    def note(_: int) -> None:
        stop.asked = True

    with heard(note):
        yield stop


def needle_text(view: View, width: int, limits: Limits, unit: Unit = Unit.UM) -> str:
    """Return the needle in one line of `width` columns, its scale marked at the limits.

    Verdicts, and what the figures hang on, stand there as far as there is room. Why it is parked
    may take more than that.
    """
    mark = f"[{VIRTUAL}] " if view.virtual else ""
    reading = view.reading
    if view.phase in (Phase.LOST, Phase.FAILED) or reading is None:
        return f"{mark}{PARKED}: {view.message or 'waiting for the source'}"
    if not reading.valid:
        return f"{mark}{PARKED}: " + "; ".join(map(str, (*reading.reasons, *view.advice)))
    assert reading.balance is not None
    figures = _figures(reading, unit)
    room = width - len(mark) - len(figures)
    for words in _beside(view):
        if room - len(words) - 2 >= _FEWEST:
            figures += f"  {words}"
            room -= len(words) + 2
    balance = (view.moving or reading.balance).value
    return mark + _scale(balance, min(max(room, _FEWEST), _MOST), limits) + figures


def below(view: View, needle: str, now_s: float) -> list[str]:
    """Return the lines below a needle: what had no room in it, and what is told of records.

    `now_s` is monotonic time.
    """
    left = "  ".join(words for words in _beside(view) if words not in needle)
    return [*filter(None, (left, records_text(view, now_s)))]


def _is_parked(view: View) -> bool:
    if view.phase in (Phase.LOST, Phase.FAILED) or view.reading is None:
        return True
    return not view.reading.valid


def _beside(view: View) -> list[str]:
    """Return what is to be known beside the figures: the verdicts, and what they hang on."""
    reading = view.reading
    if _is_parked(view) or reading is None:
        return []
    verdicts = [
        f"{name} {verdict}"
        for name, verdict in (("set", reading.set_limit), ("check", reading.check_limit))
        if verdict is not None
    ]
    _, proviso = provisos_of(reading)
    return [*(verdicts if view.moving is None else ["moving"]), *filter(None, [proviso])]


def inks_of(view: View) -> dict[str, Ink]:
    """Return which of a needle's words have a colour; none tells what its word does not."""
    inks = {f"[{VIRTUAL}]": Ink.MARK}
    reading = view.reading
    if _is_parked(view) or reading is None:
        return inks | {f"{PARKED}:": Ink.CARE}
    if view.moving is not None:
        return inks | {_AT: Ink.CARE}
    for name, verdict in (("set", reading.set_limit), ("check", reading.check_limit)):
        if verdict is not None and verdict in INK_OF:
            inks[f"{name} {verdict}"] = INK_OF[verdict]
            # The needle itself goes by the narrower one.
            inks.setdefault(_AT, INK_OF[verdict])
    return inks | {words: Ink.CARE for words in provisos_of(reading)[1:] if words}


def records_text(view: View, now_s: float) -> str:
    """Return in one line how often separate records come, their age, the instrument's settings.

    It is empty for a source that is no instrument and has no separate records. `now_s` is monotonic
    time.
    """
    words: list[str] = []
    if view.records_a_second is not None:
        words.append(f"{rate_words(view.records_a_second)} records/s")
        age_s = reading_age_s(view, now_s)
        if age_s is not None:
            words.append(f"{age_s:.1f} s old")
    return " · ".join([*words, *(value for _, value in view.settings)])


def _figures(reading: Reading, unit: Unit) -> str:
    assert reading.ratio is not None
    assert reading.offset_um is not None
    side = reading.side or ("even" if reading.sign is not Sign.UNKNOWN else "(sign unknown)")
    offset = offset_words(reading.offset_um, unit)
    return f"  ratio {plus_minus(reading.ratio)}  {offset} {side}"


def _scale(balance: float, width: int, limits: Limits) -> str:
    """Return a centre-zero scale, inward to the left, with marks at the limits."""
    half = (width - 1) // 2

    def place(at: float) -> int:
        return half + min(max(round(at / _FULL_BALANCE * half), -half), half)

    cells = ["·"] * (2 * half + 1)
    # The set limit, last, stands also where both fall into one cell.
    for sign, difference in zip("┃╎", reversed(limits), strict=True):
        limit = difference / (2.0 - difference)
        cells[place(limit)] = cells[place(-limit)] = sign
    cells[half] = "│"
    cells[place(balance)] = _AT
    return "".join(cells)


def run_meter(
    session: Session,
    out: TextIO,
    seconds: float | None,
    clock: Callable[[], float] = time.monotonic,
    *,
    as_objects: bool = False,
    log: NewReadings | None = None,
    unit: Unit = Unit.UM,
) -> View:
    """Show the session's needle until it ends, fails, `seconds` are over, or it is interrupted.

    The session is already opening its source. Lines are written over where `out` is a terminal;
    with `as_objects` each new reading is a JSON object instead. Each goes to the `log` too. Returns
    the last view.
    """
    limits = session.profile.set_limit, session.profile.check_limit
    needle = _Needle(out, limits, unit, paced=log is not None)
    shown = objects(out, session.profile) if as_objects else needle
    pause_s = needle.pause_s if shown is needle and log is None else SHORTEST_PAUSE_S
    until_s = None if seconds is None else clock() + seconds
    with interrupted() as stop:
        while True:
            view = session.view()
            if view.phase is Phase.FAILED:
                break
            now_s = clock()
            shown.show(view, now_s)
            if log is not None:
                log.show(view, now_s)
            over = until_s is not None and clock() >= until_s
            if over or stop.asked or view.phase is Phase.ENDED:
                break
            time.sleep(pause_s)
    needle.leave()
    return view


def _heading(view: View) -> str:
    mark = f"  [{VIRTUAL}]" if view.virtual else ""
    roles = roles_note(view.roles_from, view.roles) or f"roles: {','.join(view.roles)}"
    return in_lines([f"{view.source}{mark}", roles, *view.notes])


class _Needle:
    """The needle as text; `paced` where views come more often than an eye follows."""

    def __init__(self, out: TextIO, limits: Limits, unit: Unit, *, paced: bool) -> None:
        self._screen = _Screen(out)
        self._every_s = self._screen.pause_s if paced else 0.0
        self._limits = limits
        self._unit = unit
        self._told = False
        self._next_s = -math.inf

    @property
    def pause_s(self) -> float:
        """How long to wait before the next look."""
        return self._screen.pause_s

    def show(self, view: View, now_s: float) -> None:
        """Show a view, unless the one before was shown just now."""
        if now_s < self._next_s and view.phase is not Phase.ENDED:
            return
        self._next_s = now_s + self._every_s
        if view.roles and not self._told:
            self._screen.keep(_heading(view))
            self._told = True
        words = needle_text(view, self._screen.width, self._limits, self._unit)
        self._screen.show([words, *below(view, words, now_s)], inks_of(view))

    def leave(self) -> None:
        """Put the cursor below what stands there."""
        self._screen.leave()


class _Screen:
    """Lines that are written over where that can be, and one below the other elsewhere."""

    def __init__(self, out: TextIO) -> None:
        self._out = out
        self._rewrites, self._has_colour = rewrites(out), has_colour(out)
        self._height = 0
        self.pause_s = _FRAME_S if self._rewrites else _LINE_S

    @property
    def width(self) -> int:
        """Columns that can be written to."""
        return shutil.get_terminal_size().columns - 1 if self._rewrites else _UNBOUND

    def keep(self, text: str) -> None:
        """Write lines that stay."""
        self._out.write(("\r\x1b[J" if self._height else "") + plain(text) + "\n")
        self._height = 0

    def show(self, texts: Sequence[str], inks: Mapping[str, Ink]) -> None:
        """Write texts below each other, in the place of those before."""
        if self._rewrites:
            width = max(20, self.width)
            lines = [line for text in texts for line in textwrap.wrap(plain(text), width) or [""]]
            # The cursor goes back to the first line, from which the next text clears this one.
            back = f"\x1b[{len(lines) - 1}A" if len(lines) > 1 else ""
            shown = "\n".join(lines)
            self._out.write("\r\x1b[J" + (inked(shown, inks) if self._has_colour else shown) + back)
            self._height = len(lines)
        else:
            self._out.write(plain("\n".join(texts)) + "\n")
        self._out.flush()

    def leave(self) -> None:
        """Put the cursor below what stands there."""
        self._out.write("\n" * self._height)
        self._out.flush()


class Progress:
    """A line on the error output that says how far long work has come; silent elsewhere.

    `what` names the work, as “recording”.
    """

    _AFTER_S = 0.5

    def __init__(self, what: str) -> None:
        self._what = what
        self._shows = sys.stderr.isatty()
        self._next_s = time.monotonic() + self._AFTER_S
        self._wrote = False

    def show(self, done_s: float, wanted_s: float | None) -> None:
        """Say how many seconds are done, of how many; None when it goes on until Ctrl-C."""
        now_s = time.monotonic()
        if self._shows and now_s >= self._next_s:
            self._next_s = now_s + self._AFTER_S
            self._wrote = True
            rest = "(Ctrl-C ends)" if wanted_s is None else f"of {wanted_s:.1f} s"
            sys.stderr.write(f"\r\x1b[K{self._what} … {done_s:.1f} s {rest}")
            sys.stderr.flush()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._wrote:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
