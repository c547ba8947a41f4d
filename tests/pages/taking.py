"""Takes the pictures of one size and language, in a process of its own; `tests.pages` starts it."""

import sys
import tempfile
import time
from dataclasses import replace
from itertools import product
from pathlib import Path
from unittest.mock import patch

from PySide6.QtWidgets import QApplication

from app.analysis.messages import CLIPPED, fill
from app.analysis.results import Message, Sign
from app.dashboard.settings import Choice, Settings
from app.dashboard.style import CONTRAST, DARK, LIGHT
from app.dashboard.translation import speak
from app.dashboard.window import MainWindow
from app.job import messages
from app.job.model import Action, Do, Enter
from app.live.measurement import EnvelopeOptions, analyser_for
from app.live.opening import Opening
from app.live.past import Past
from app.live.view import Phase, View
from app.profiles import load_profile
from instruments.address import open_address
from instruments.source import SourceRequest
from tests.app.dashboard.fakes import FakeControls, FakeSession, parked, reading, view
from tests.app.dashboard.whole import all_pages

THEMES = {"light": LIGHT, "dark": DARK, "contrast": CONTRAST}
SOURCES = [
    ("sim:", "Virtual drive"),
    ("sound:Bench interface: USB Audio (hw:1,0), ALSA", "Bench interface: USB Audio"),
    ("visa:TCPIP::192.0.2.7::5025::SOCKET", "Scope"),
]
LONG = "sim:offset_um=21&creep_um=12&screws=loose&snr_db=28&backlash_um=9&seed=20261129"
_TURNS = 30
_TURNED_UM = -1.5
_WAIT_S = 30.0


def states():
    """What the source may be like at the needle without a job, by name."""
    unknown = reading(0.1, sign=Sign.UNKNOWN)
    gone = (
        "sound input “Bench interface”: it stopped; check that it is plugged in and that the sound "
        "server runs"
    )
    return {
        "needle": view(0.12, source=LONG),
        "needle, even": view(0.003, source=LONG),
        "needle, side not known": view(reading=unknown, roles=("plus", "minus"), source=LONG),
        "needle, teaching": view(reading=unknown, roles=("plus", "minus"), teaching=True),
        "needle, parked": view(reading=parked(CLIPPED.text), source=LONG),
        "needle, lost": View(phase=Phase.LOST, source=SOURCES[1][0], message=gone),
        "needle, nothing open": View(),
    }


def asks():
    """What a job may ask for, by name."""
    nudge = Message(messages.NUDGE_COUNTER.text, ("0.07", "0.03", "21"))
    return {
        "job, nudge": Do(Action.NUDGE, nudge, amount=-21.0),
        "job, number": Enter(
            "room temperature", fill(messages.ROOM_TEMPERATURE, "12", "15", "5"), "°C", 0.0, 50.0
        ),
        "job, choice": Enter("write refused", messages.WAS_IT_REFUSED, choices=("yes", "no")),
    }


def nudged():
    """What is kept of a virtual drive whose head is moved a little with each turn."""
    source = open_address(LONG, SourceRequest(paced=False))
    profile = load_profile("130mm-48tpi")
    past, traces = Past(60.0 / profile.speed_rpm), []
    source.open()
    analyser = analyser_for(source.info, profile, EnvelopeOptions(), keep_all=False)
    blocks = iter(source.blocks())
    while len(traces) < _TURNS:
        block = next(blocks)
        past.take(block)
        analyser.push(block)
        trace = analyser.trace
        if trace is not None and (not traces or trace.number != traces[-1].number):
            past.add(trace, block)
            traces.append(trace)
            source.controls.nudge(_TURNED_UM)
    source.close()
    return past, traces


class Taking:
    """A window whose pictures are taken: `hands` and `colours` are those that are asked for."""

    def __init__(self, folder, size, language, colours, hands, wanted):
        self._folder, self._size, self._wanted = folder, size, wanted
        self._ways = tuple(product(hands, colours))
        self._language = language
        self.session = FakeSession(states()["needle"], FakeControls(), SOURCES)
        settings = Settings()
        settings.recent = (Choice(Opening(LONG), "130mm-48tpi"), Choice(Opening(SOURCES[1][0])))
        book = Path(tempfile.mkdtemp()) / "book.sqlite3"
        self.window = MainWindow(self.session, LIGHT, book=book, settings=settings)
        self.window.stop()
        self.window.resize(*size)
        self.window.show()

    def follow(self):
        """Let the large trace follow the turns of a drive, as if they had come in real time."""
        self.session.past, traces = nudged()
        page = self.window.needle_page
        page.toggle_large()
        for trace in traces:
            self.session.now = replace(self.session.now, trace=trace)
            self.settle()
        page.leave_large()

    def wait(self, until):
        """Let the window go on until something is so."""
        end_s = time.monotonic() + _WAIT_S
        while not until():
            assert time.monotonic() < end_s
            self.settle()
            time.sleep(0.02)

    def settle(self):
        shown, now_s = self.session.now, time.monotonic()
        if shown.strip_s is not None:
            # However long the pictures take: no needle parks because its reading has grown old.
            times_s = shown.strip_s + (now_s - shown.reading_at_s)
            self.session.now = replace(shown, reading_at_s=now_s, strip_s=times_s)
        self.window.needle_page._slow_at_s = float("-inf")
        self.window.needle_page._strip_at_s = float("-inf")
        self.window.tick()
        QApplication.processEvents()

    def take(self, name):
        """Take a page's picture for each hand in each of the colours."""
        if self._wanted not in name:
            return
        for hand, colours in self._ways:
            self.window.stand_for(left_handed=hand == "left")
            self.window._fixed_theme = THEMES[colours]
            self.window.apply_system_theme()
            for _ in range(8):  # the needle has come to rest
                self.settle()
            sides = "x".join(map(str, self._size))
            words = (sides, hand, colours, self._language, name.replace(" ", "-"))
            path = self._folder / f"{'-'.join(words)}.png"
            assert self.window.grab().save(str(path))

    def all(self):
        """Take them all."""
        window, page = self.window, self.window.needle_page
        window.show_help()
        self.take("first page")
        window.show_drives()
        self.take("drives, none yet")
        window.show_needle()
        for name, shown in states().items():
            self.session.now = shown
            self.take(name)
        self.session.now = states()["needle"]
        page.toggle_far()
        self.take("far")
        page.toggle_far()
        window.explain()
        self.take("explained")
        window.escape()
        window.begin_job("TM-0031", "130mm-48tpi")
        self.wait(lambda: window.controller.number is not None)
        self.take("job, first ask")
        self.session.now = replace(self.session.now, virtual=False, source=SOURCES[1][0])
        job = window.controller.job
        for name, asked in asks().items():
            with patch.object(type(job), "ask", asked):
                window.controller.changed.emit()
                self.take(name)
                if name == "job, nudge":
                    page.toggle_far()
                    self.take("job, nudge, far")
                    page.toggle_far()
        window.controller.changed.emit()
        self.follow()
        for name in all_pages(window, self.wait):
            self.take(f"page {name}")
        window.show_help()
        self.take("first page, at work")
        window.controller.end(5.0)


def main(folder, size, scale, language, colours, hands, wanted):
    sides = tuple(int(each) // int(scale) for each in size.split("x"))
    app = QApplication(sys.argv[:1])
    QApplication.setStyle("Fusion")
    speak(app, language)
    taking = Taking(Path(folder), sides, language, colours.split(","), hands.split(","), wanted)
    taking.all()
    taking.window.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
