"""Random hands at the window: keys, words, sources, jobs, reports, sizes.

A hand does what a person could do from the keyboard or with the pages' buttons; nothing that opens
a dialog of the system's, which would wait for a person. Every two minutes it rests: the needle with
nothing open, in a window of one size, the last report put away. What the window takes up then is
compared, like with like.
"""

from __future__ import annotations

import gc
import os
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from PySide6.QtCore import QEvent, Qt, QTimer, qInstallMessageHandler
from PySide6.QtGui import QKeyEvent, QPixmapCache
from PySide6.QtWidgets import QApplication, QMenu

from app import faults
from app.blackbox.recorder import BlackBox
from app.dashboard.allocator import (
    give_back_each_minute,
    give_back_holes,
    give_back_large_blocks,
)
from app.dashboard.cycles import collected_here
from app.dashboard.settings import Settings
from app.dashboard.window import MainWindow
from app.job.plan import Plan
from app.live.opening import Opening
from app.live.session import Session
from app.profiles import load_profile
from instruments.address import open_address
from instruments.file.writer import CaptureWriter
from instruments.source import SourceRequest
from tests.benchmarks.load import PROFILE, rss_mb
from tests.soak.figures import Row

_HAND_MS = 120
_MENU_MS = 200
_ROW_S = 5.0
_REST_EACH_S = 120.0
_REST_S = 5.0
_LEAST_ACTIONS = 4
"""However long they take on a busy machine."""
_LIGHT = "rate=64000&carrier_hz=25000"
"""Of a drive that is slow enough for an old computer."""
_AT_REST_PX = (1280, 800)
_LETTERS = "abc XYZ019.,-µ/:?&=%\"'\\"
_LEFT_OUT = {
    (Qt.Key.Key_O, Qt.KeyboardModifier.ControlModifier),
    (Qt.Key.Key_Q, Qt.KeyboardModifier.ControlModifier),
}
"""A dialog of the system's, and the end."""


@dataclass(slots=True)
class Soak:
    """What came of a run.

    ``late_ms`` counts the frames by the whole milliseconds from the one before: a list of them grew
    by more in an hour than the program may.
    """

    rows: list[Row] = field(default_factory=list)
    late_ms: Counter[int] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    actions: int = 0


class _Watch:
    """Takes a row every few seconds, and each frame's time."""

    def __init__(self, soak: Soak) -> None:
        self._soak = soak
        self._begun_s = self._frame_s = self._row_s = time.monotonic()
        self._processor_s = time.process_time()
        self._longest_ms = 0.0

    def frame(self) -> None:
        """Note a frame of the window."""
        now_s = time.monotonic()
        late_ms = 1e3 * (now_s - self._frame_s)
        self._frame_s = now_s
        self._longest_ms = max(self._longest_ms, late_ms)
        self._soak.late_ms[round(late_ms)] += 1
        if now_s - self._row_s >= _ROW_S:
            self.row(now_s)

    def row(self, now_s: float, *, at_rest: bool = False) -> None:
        """Take a row."""
        processor_s = time.process_time()
        part = (processor_s - self._processor_s) / (now_s - self._row_s)
        self._processor_s, self._row_s = processor_s, now_s
        row = Row(
            at_s=now_s - self._begun_s,
            memory_mib=rss_mb() * 1e6 / 2**20,
            objects=len(gc.get_objects()),
            handles=len(os.listdir("/proc/self/fd")),
            threads=threading.active_count(),
            processor=part,
            late_ms=self._longest_ms,
            at_rest=at_rest,
        )
        self._soak.rows.append(row)
        self._longest_ms = 0.0


class _Hands:
    """Does one thing after the other, drawn from a seed."""

    def __init__(self, window: MainWindow, folder: Path, seed: int) -> None:
        self._window = window
        self._rng = np.random.default_rng(seed)
        self._keys = [each for each in window._keys if each not in _LEFT_OUT]
        self._capture = _captured(folder / "capture.wav")
        self._drives = [f"TM-{number}" for number in range(1, 30)]
        # How often each is done, in parts.
        self._acts: list[tuple[float, Callable[[], object]]] = [
            (60.0, self._press),
            (8.0, self._tab),
            (6.0, self._type),
            (2.0, self._open),
            (2.0, self._begin),
            (2.0, self._report),
            (4.0, window.show_needle),
            (1.0, window.show_sources),
            (1.0, window.show_drives),
            (1.0, self._resize),
            (1.0, self._menu),
        ]

    def act(self) -> None:
        """Do the next thing."""
        parts = np.array([part for part, _ in self._acts])
        chosen = int(self._rng.choice(len(parts), p=parts / parts.sum()))
        self._acts[chosen][1]()

    def rest(self) -> None:
        """Bring the window to the state that it has at each rest."""
        window = self._window
        window.report_page._clear()
        window.show_needle()
        window.needle_page.leave_large()
        window.resize(*_AT_REST_PX)
        # What a source's last minutes take comes and goes with the source.
        window.close_source()
        # So do pictures of other sizes and colours, up to what the cache may hold.
        QPixmapCache.clear()

    def go_on(self) -> None:
        """Have something to look at again."""
        self._window.open_source(Opening(f"sim:{_LIGHT}"))

    def _send(self, key: Qt.Key, modifiers: Qt.KeyboardModifier, text: str = "") -> None:
        target = QApplication.focusWidget() or self._window
        for kind in (QEvent.Type.KeyPress, QEvent.Type.KeyRelease):
            QApplication.postEvent(target, QKeyEvent(kind, key, modifiers, text))

    def _press(self) -> None:
        self._send(*self._keys[int(self._rng.integers(len(self._keys)))])

    def _tab(self) -> None:
        self._send(Qt.Key.Key_Tab, Qt.KeyboardModifier.NoModifier)

    def _type(self) -> None:
        for sign in self._rng.choice(list(_LETTERS), int(self._rng.integers(1, 9))):
            self._send(Qt.Key(0), Qt.KeyboardModifier.NoModifier, str(sign))

    def _open(self) -> None:
        offset = f"offset_um={self._rng.uniform(-80, 80):.0f}"
        addresses = (f"sim:{_LIGHT}&{offset}", str(self._capture), "sim:nothing=1", "none.wav")
        weights = (0.7, 0.2, 0.05, 0.05)
        self._window.open_source(Opening(str(self._rng.choice(addresses, p=weights))))

    def _begin(self) -> None:
        plan = str(self._rng.choice([each.value for each in Plan]))
        self._window.begin_job(str(self._rng.choice(self._drives)), PROFILE, plan)

    def _report(self) -> None:
        number = self._window.controller.number
        drive = self._window.controller.drive
        if number is not None and drive is not None:
            self._window.show_report(drive.identity, number)

    def _resize(self) -> None:
        width, height = self._rng.integers((480, 300), (1600, 1000)).tolist()
        self._window.resize(width, height)

    def _menu(self) -> None:
        self._window.top_bar.show_menu()
        QTimer.singleShot(_MENU_MS, self._close_menus)

    def _close_menus(self) -> None:
        for menu in self._window.top_bar.findChildren(QMenu):
            menu.close()


def _captured(path: Path) -> Path:
    """Write two seconds of the virtual drive as a capture."""
    source = open_address(f"sim:{_LIGHT}", SourceRequest(paced=False))
    source.open()
    with CaptureWriter(path, source.info) as writer:
        for block in source.blocks():
            if block is not None:
                writer.write(block)
                if block.end_index > 2.0 * block.sample_rate_hz:
                    break
    source.close()
    return path


def run(folder: Path, seconds: float, seed: int) -> Soak:
    """Leave hands at a window for so long; everything that it writes is in `folder`."""
    soak = Soak()
    give_back_large_blocks()
    application = QApplication.instance() or QApplication(sys.argv[:1])
    assert isinstance(application, QApplication)
    # Told to quit once more after its loop has ended, it would end the loops of whoever comes next.
    quits = application.quitOnLastWindowClosed()
    application.setQuitOnLastWindowClosed(False)
    told = qInstallMessageHandler(lambda kind, where, words: soak.faults.append(f"Qt: {words}"))
    faults.watchers.append(soak.faults.append)
    hook_before = sys.excepthook
    sys.excepthook = lambda kind, fault, where: faults.words_for(fault)
    box = BlackBox(folder / "blackbox")
    session = Session(load_profile(PROFILE))
    session.tap = box.take
    settings = Settings(folder / "window.json")
    window = MainWindow(session, book=folder / "book.sqlite3", settings=settings, box=box)
    window.open_source(Opening(f"sim:{_LIGHT}"))
    window.show()
    give_back_each_minute(window)
    watch, hands = _Watch(soak), _Hands(window, folder, seed)

    begun_s = time.monotonic()
    rested = 0
    resting_since_s: float | None = None

    def act() -> None:
        nonlocal rested, resting_since_s
        now_s = time.monotonic()
        if resting_since_s is None and now_s - begun_s >= (rested + 1) * _REST_EACH_S:
            hands.rest()
            resting_since_s = now_s
        elif resting_since_s is None:
            soak.actions += 1
            hands.act()
        elif now_s - resting_since_s >= _REST_S:
            gc.collect()
            give_back_holes()
            watch.row(now_s, at_rest=True)
            hands.go_on()
            rested, resting_since_s = rested + 1, None
        if now_s - begun_s >= seconds and soak.actions >= _LEAST_ACTIONS:
            application.quit()

    timers = []
    for interval_ms, work in ((16, watch.frame), (_HAND_MS, act)):
        timers.append(QTimer(interval=interval_ms))
        timers[-1].timeout.connect(work)
        timers[-1].start()
    with collected_here():
        application.exec()
    for each in timers:
        each.stop()
    window.close()
    session.close()
    box.end()
    window.deleteLater()
    application.setQuitOnLastWindowClosed(quits)
    sys.excepthook = hook_before
    faults.watchers.remove(soak.faults.append)
    qInstallMessageHandler(told)
    return soak
