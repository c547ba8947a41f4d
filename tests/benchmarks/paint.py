"""What a painted frame costs in each view, in times what blitting a picture of the window takes."""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from tests.benchmarks.tables import table

SIZE = (1920, 1080)
TIMES_ALLOWED = 20.0
VIEWS = ("needle", "far", "trace, newest alone", "trace, 60 turns behind")
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
    from tests.app.dashboard.fakes import FakeSession, trace, view

    application = QApplication.instance() or QApplication([])
    counted = itertools.count()
    shown = [view()]
    window = MainWindow(FakeSession(lambda: shown[0]))
    window.stop()
    window.resize(*SIZE)
    window.show()
    window.show_needle()

    def renew() -> None:
        number = next(counted)
        balance = 0.12 + 0.02 * math.sin(0.3 * number)
        new = view(balance)
        shown[0] = replace(new, reading_at_s=time.monotonic(), trace=trace(balance, number))

    def frame() -> None:
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
            page.large.decay.setCurrentIndex(page.large.decay.findData(60 if "60" in name else 0))
        for _ in range(_WARM):
            renew()
            frame()
        found.append(Frame(name, _median_ms(frame, renew, frames), _median_ms(blit, renew, frames)))
    window.close()
    return found


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
