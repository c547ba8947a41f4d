"""What a painted frame costs in each view, in times what blitting a picture of the window takes."""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.tables import table

if TYPE_CHECKING:
    from app.dashboard.needle_page.large_trace import LargeTrace

SIZE = (1920, 1080)
TIMES_ALLOWED = 20.0
VIEWS = (
    "needle",
    "far",
    "trace, newest alone",
    "trace, 60 turns behind",
    "trace, carrier",
    "trace, every channel",
    "trace, scrolled back",
)
_TURN = 400_000
"""Frames of a turn at 2 MS/s and 300 rpm."""
_RATE_HZ = 2e6
_WARM = 70
"""Frames before it counts: more than the turns that are seen behind the newest."""
_FRAMES = 60


@dataclass(frozen=True)
class Frame:
    """A view's median frame, in milliseconds of processor time, and in blits of the same run."""

    view: str
    frame_ms: float
    blit_ms: float

    @property
    def times(self) -> float:
        """The frame in blits."""
        return self.frame_ms / self.blit_ms


def measure_frames(views: tuple[str, ...] = VIEWS, frames: int = _FRAMES) -> list[Frame]:
    """Measure the most costly frames: each has a new reading and a new turn."""
    from PySide6.QtGui import QColor, QPainter, QPixmap
    from PySide6.QtWidgets import QApplication

    from app.dashboard.window import MainWindow
    from app.live.past import Past
    from instruments.source import Block
    from tests.app.dashboard.fakes import FakeSession, trace, view

    application = QApplication.instance() or QApplication([])
    counted = itertools.count()
    shown = [view()]
    session = FakeSession(lambda: shown[0])
    session.past = Past(_TURN / _RATE_HZ)
    samples_v = _samples_v()
    window = MainWindow(session)
    window.stop()
    window.resize(*SIZE)
    window.show()
    window.show_needle()

    def renew() -> None:
        number = next(counted)
        balance = 0.12 + 0.02 * math.sin(0.3 * number)
        new = view(balance)
        first = number * _TURN
        now_s = time.monotonic()
        block = Block(samples_v, _RATE_HZ, first, first / _RATE_HZ)
        turn = replace(trace(balance, number), frames=(float(first), float(first + _TURN)))
        session.past.take(block)
        session.past.add(turn, block)
        shown[0] = replace(new, reading_at_s=now_s, trace=turn)

    def frame() -> None:
        if window.needle_page.large.back_s:
            window.needle_page.scroll_by(-1)
        window.tick()
        application.processEvents()

    ground, picture = QPixmap(*SIZE), QPixmap(*SIZE)
    picture.fill(QColor("navy"))

    def blit() -> None:
        with QPainter(ground) as painter:
            painter.drawPixmap(0, 0, picture)

    found = []
    page = window.needle_page
    for name in views:
        page.leave_large()
        if name == "far":
            page.toggle_far()
        elif name.startswith("trace"):
            page.toggle_large()
            _show(page.large, name)
        for _ in range(_WARM):
            renew()
            frame()
        if "back" in name:
            page.scroll_by(-1)
        found.append(Frame(name, _median_ms(frame, renew, frames), _median_ms(blit, renew, frames)))
    window.close()
    return found


def _show(large: LargeTrace, name: str) -> None:
    """Let the large trace show what a view's name says."""
    from app.dashboard.needle_page.large_trace import Seen

    behind = 60 if "60" in name or "back" in name else 0
    large.decay.setCurrentIndex(large.decay.findData(behind))
    seen = Seen.ENVELOPE
    if "carrier" in name:
        seen = Seen.CARRIER
    elif "channel" in name:
        seen = Seen.CHANNELS
    large.seen.setCurrentIndex(large.seen.findData(seen))


def _samples_v() -> NDArray[np.float32]:
    """Return a turn of both phases and the index: a carrier that inks most of its lane."""
    at = np.arange(_TURN) / _TURN
    phase_v = 0.25 * np.abs(np.sin(2.0 * np.pi * at)) * np.sin(2.0 * np.pi * 25_000 * at)
    index_v = np.where(at < 0.02, 5.0, 0.0)
    return np.stack([phase_v, -phase_v, index_v], axis=1).astype(np.float32)


def _median_ms(what: Callable[[], None], before: Callable[[], None], rounds: int) -> float:
    times_s = []
    for _ in range(rounds):
        before()
        begun_s = time.thread_time()
        what()
        times_s.append(time.thread_time() - begun_s)
    return 1e3 * float(np.median(times_s))


def report(say: Callable[[str], object]) -> None:
    """Print the table."""
    rows = [
        [each.view, f"{each.frame_ms:.1f} ms", f"{each.times:.0f} ×", f"{TIMES_ALLOWED:.0f} ×"]
        for each in measure_frames()
    ]
    heads = ["frame with a new reading and turn, 1920×1080", "processor", "in blits", "allowed"]
    say(table("A painted frame, beside the blit of one picture of the window", heads, rows))
