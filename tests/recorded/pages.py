"""The window's pages in many states and some sizes: what stands where, and what is painted.

Each state is told by what is other than in the state before. Places and sizes are whole pixels;
they hang on the desktop's font, and are compared only where that is the one of the record.
"""

from __future__ import annotations

import re
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from PySide6.QtCore import QCoreApplication, QEvent, QPoint, QStandardPaths, QTranslator
from PySide6.QtGui import QFontInfo
from PySide6.QtWidgets import QAbstractButton, QApplication, QComboBox, QLabel, QLineEdit, QWidget

from app.analysis.messages import fill
from app.analysis.results import Message, Sign
from app.dashboard.settings import Choice, Settings
from app.dashboard.style import DARK, LIGHT, Theme
from app.dashboard.translation import speak
from app.dashboard.window import MainWindow
from app.job import messages
from app.job.model import Action, Do, Enter
from app.language import ENGLISH
from app.live.opening import Opening
from app.live.view import Level, Phase, View
from app.numbers import Unit
from tests.app.dashboard.fakes import FakeControls, FakeSession, parked, reading, view
from tests.app.dashboard.painting import WORDS_AS_TEXT, Mark, Recorder
from tests.app.dashboard.whole import all_pages
from tests.recorded.keeping import Net

NOW_S = 5000.0
_FRAME_S = 0.05
_FRAMES = 12
"""After so many the needle has come to rest."""
_WAIT_S = 60.0
SOURCES = [("sim:", "Virtual drive"), ("sound:Bench: USB Audio", "Bench: USB Audio")]
LONG = "sim:offset_um=-120&creep_um=12&screws=tight&snr_db=28"


def states() -> dict[str, View]:
    """What the source may be like at the needle without a job, by name."""
    unknown = reading(0.1, sign=Sign.UNKNOWN)
    full = (Level("plus", 0.98, 0.9, True), Level("minus", 0.002, 0.003, False))
    made = partial(view, now_s=NOW_S, source=LONG)
    return {
        "balance 0.12": made(0.12),
        "even": made(0.003),
        "inward": made(-0.6),
        "hardly one lobe": made(0.93),
        "unsure": made(reading=reading(0.2, 0.09)),
        "side not known": made(reading=unknown, roles=("plus", "minus")),
        "teaching": made(reading=unknown, roles=("plus", "minus"), teaching=True),
        "parked": made(reading=parked()),
        "notes": made(reading=reading(0.12, notes=(Message("A first note."), Message("Another.")))),
        "levels": made(levels=full, lost_frames=1234),
        "old": made(reading_at_s=NOW_S - 7.0),
        "not locked": made(locked=False, trace=None),
        "opening": View(phase=Phase.OPENING, source=SOURCES[1][0]),
        "lost": View(phase=Phase.LOST, source=SOURCES[1][0], message="It stopped; plug it in."),
        "failed": View(phase=Phase.FAILED, source=SOURCES[1][0], message="It is in use."),
        "nothing open": View(),
    }


def asks() -> dict[str, Do | Enter]:
    """What a job may ask for, by name."""
    nudge = Message(messages.NUDGE_COUNTER.text, ("0.07", "0.03", "21"))
    return {
        "nudge": Do(Action.NUDGE, nudge, amount=-21.0),
        "seek": Do(Action.SEEK, fill(messages.SEEK, 16, 1), track=16, head=1),
        "number": Enter("room temperature", messages.CHASSIS_TEMPERATURE, "°C", 0.0, 50.0),
        "length": Enter("place", messages.CHASSIS_TEMPERATURE, "µm", -500.0, 500.0),
        "choice": Enter("write refused", messages.WAS_IT_REFUSED, choices=("yes", "no")),
    }


@dataclass(frozen=True)
class Look:
    """How the window is looked at."""

    size: tuple[int, int]
    theme: Theme = LIGHT
    left_handed: bool = False
    language: str = ENGLISH
    unit: Unit = Unit.UM


LOOKS = {
    "1280x800": Look((1280, 800)),
    "480x320, dark, left hand": Look((480, 320), DARK, left_handed=True),
    "1920x1080, German, mils": Look((1920, 1080), language="de", unit=Unit.MIL),
}


class _Clock:
    now_s = NOW_S

    def __call__(self) -> float:
        return self.now_s


def _at_once(_name: str, work: Callable[[], Any]) -> Future[Any]:
    """Do what a thread would, which might be done sooner or later."""
    future: Future[Any] = Future()
    future.set_result(work())
    return future


class _Fixed(datetime):
    """A day on which nothing changes."""

    @classmethod
    def now(cls, tz: Any = None) -> datetime:
        return datetime(2026, 3, 1, 10, 0, tzinfo=UTC)


@contextmanager
def _noting_painters() -> Iterator[None]:
    """Have each painter of the dashboard's modules note what it draws."""
    with ExitStack() as stack:
        for name, module in list(sys.modules.items()):
            if name.startswith("app.dashboard") and hasattr(module, "QPainter"):
                stack.enter_context(patch.object(module, "QPainter", Recorder))
        stack.enter_context(WORDS_AS_TEXT)
        yield


@contextmanager
def _spoken(app: QCoreApplication, language: str) -> Iterator[None]:
    """Have a language spoken, and then English again."""
    speak(app, language)
    try:
        yield
    finally:
        speak(app, ENGLISH)
        for each in app.findChildren(QTranslator):
            app.removeTranslator(each)
            each.deleteLater()


def _place(*numbers: float) -> str:
    return "@" + ",".join(str(round(each)) for each in numbers)


def _widgets(window: QWidget) -> Iterator[str]:
    for widget in window.findChildren(QWidget):
        if not widget.isVisibleTo(window) or widget.objectName().startswith("qt_"):
            continue
        at = widget.mapTo(window, QPoint())
        place = _place(at.x(), at.y(), widget.width(), widget.height())
        said = " | ".join(_said(widget))
        yield f"{type(widget).__name__} {said} {place}"


def _documents() -> str:
    """Return the folder for documents, which is another for each person."""
    return QStandardPaths.writableLocation(QStandardPaths.StandardLocation.DocumentsLocation)


def _said(widget: QWidget) -> Iterator[str]:
    yield widget.accessibleName()
    if isinstance(widget, (QLabel, QAbstractButton, QLineEdit)):
        yield widget.text().replace(_documents(), "DOCUMENTS")
    if isinstance(widget, QComboBox):
        yield f"{widget.currentText()} of {widget.count()}"
    if isinstance(widget, QLineEdit):
        yield f"{widget.placeholderText()} {widget.maxLength()}"
    if isinstance(widget, QLabel):
        yield f"aligned {int(widget.alignment())}, wrapped {widget.wordWrap()}"
    yield widget.accessibleDescription()
    yield widget.toolTip()
    for word, so in (
        ("off", not widget.isEnabled()),
        ("on", isinstance(widget, QAbstractButton) and widget.isChecked()),
        ("focus", widget.hasFocus()),
        *((name, widget.property(name)) for name in ("next", "quiet", "strong", "title")),
    ):
        if so:
            yield word


def _mark(mark: Mark) -> str:
    is_curve = len(mark.shape) > 16
    shape = _curve(np.array(mark.shape)) if is_curve else _place(*mark.shape)
    flags = [f"{mark.width:.2g}" if mark.pen else "", "bold" if mark.bold else ""]
    flags += ["smooth" if mark.smooth else "", f"{mark.alpha:.2g}", f"{int(mark.align)}"]
    words = f" {mark.words!r}" if mark.words else ""
    path = "" if mark.path is None else _place(*mark.path.boundingRect().getRect())
    return (
        f"  {mark.kind}{words} pen {mark.pen} brush {mark.brush} {mark.hatch.name} "
        f"{' '.join(filter(None, flags))} {mark.font_px}px {shape}{path}{_place(*mark.clip)}"
    )


def _curve(numbers: np.ndarray) -> str:
    """Tell a curve by its number of corners and some of them."""
    corners = numbers.reshape(-1, 2)
    some = corners[np.linspace(0, len(corners) - 1, 7).round().astype(int)]
    return f"{len(corners)} corners {_place(*some.ravel())}"


class Walk:
    """A window that is walked through."""

    def __init__(self, look: Look, folder: Path) -> None:
        self.session = FakeSession(states()["balance 0.12"], FakeControls(), SOURCES)
        settings = Settings()
        settings.unit = look.unit
        settings.recent = (Choice(Opening(LONG), "130mm-48tpi"), Choice(Opening(SOURCES[1][0])))
        self._clock = _Clock()
        self.window = MainWindow(
            self.session,
            look.theme,
            book=folder / "book.sqlite3",
            settings=settings,
            clock=self._clock,
        )
        self.window.stop()
        self.window.stand_for(left_handed=look.left_handed)
        self.window.resize(*look.size)
        self.window.show()
        self.lines: list[str] = []
        self._before: list[str] = []

    def settle(self) -> None:
        page = self.window.needle_page
        page._slow_at_s = page._strip_at_s = float("-inf")
        self._clock.now_s += 1e-6
        self.window.tick()
        QApplication.processEvents()

    def wait(self, until: Callable[[], object]) -> None:
        end_s = time.monotonic() + _WAIT_S
        while not until():
            assert time.monotonic() < end_s
            self.settle()
            time.sleep(0.01)

    def tell(self, name: str) -> None:
        """Tell what is other than before."""
        for _ in range(_FRAMES):
            self._clock.now_s += _FRAME_S
            self.settle()
        self._clock.now_s = NOW_S
        self.settle()
        Recorder.marks = []
        with _noting_painters():
            self.window.grab()
        now = [*_widgets(self.window), *map(_mark, Recorder.marks)]
        self.lines.append(f"-- {name}")
        self.lines += [f"- {line}" for line in self._before if line not in set(now)]
        self.lines += [f"+ {line}" for line in now if line not in set(self._before)]
        self._before = now

    def all(self) -> None:
        """Go through every page and state."""
        window, page = self.window, self.window.needle_page
        window.show_help()
        self.tell("first page")
        window.show_drives()
        self.tell("drives, none yet")
        window.show_needle()
        for name, shown in states().items():
            self.session.now = shown
            self.tell(f"needle, {name}")
        self.session.now = states()["balance 0.12"]
        for name, change in (
            ("far", page.toggle_far),
            ("near", page.toggle_far),
            ("explained", window.explain),
            ("escaped", window.escape),
        ):
            change()
            self.tell(name)
        window.begin_job("TM-0031", "130mm-48tpi")
        self.wait(lambda: window.controller.number is not None)
        self.tell("job, first ask")
        self._job()
        for name in all_pages(window, self.wait):
            self.tell(f"page {name}")
        window.show_help()
        self.tell("first page, at work")
        window.controller.end(5.0)

    def _job(self) -> None:
        window, job = self.window, self.window.controller.job
        self.session.now = replace(self.session.now, virtual=False, source=SOURCES[1][0])
        for name, asked in asks().items():
            with patch.object(type(job), "ask", asked):
                window.controller.changed.emit()
                self.tell(f"job, {name}")
        window.controller.changed.emit()


def walked(look: Look) -> list[str]:
    """Tell the way through the window."""
    app = QApplication.instance() or QApplication(sys.argv[:1])
    QApplication.setStyle("Fusion")
    stack = ExitStack()
    with stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="evenlobe-recorded-"))
        stack.enter_context(patch("app.stamp.datetime", _Fixed))
        for module in ("background", "source_page.page"):
            stack.enter_context(patch(f"app.dashboard.{module}.in_background", _at_once))
        stack.enter_context(_spoken(app, look.language))
        walk = Walk(look, Path(folder))
        stack.callback(walk.window.close)
        walk.all()
    walk.window.deleteLater()
    QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    head = f"font {QFontInfo(app.font()).family()}"
    return [head, *(line.replace(folder, "FOLDER") for line in walk.lines)]


_OF_FONT = re.compile(r"@[-\d,]*|\b\d+px")


def in_words(lines: list[str]) -> list[str]:
    """Return what is told whatever the desktop's font is: all but places and sizes."""
    return sorted({_OF_FONT.sub("", line[2:]) for line in lines[1:]})


NET = Net("pages", {name: partial(walked, look) for name, look in LOOKS.items()})
