"""The dashboard in a process of its own, on a session that tells its calls on standard output.

``python -m tests.app.dashboard.scripted [balance]``; the needle follows the nudges.
"""

import sys

from PySide6.QtCore import QTimer
from PySide6.QtWidgets import QApplication

from app.analysis.results import Sign
from app.dashboard.program import run_dashboard
from app.dashboard.window import MainWindow
from app.live.opening import Opening
from tests.app.dashboard.fakes import FakeControls, FakeSession, reading, view

SCALE_UM = 178.0
FULL_HD = (1920, 1080)


class TellingControls(FakeControls):
    """Moves the balance as the virtual drive's hands would, and tells each movement."""

    def __init__(self, balance):
        super().__init__()
        self.balance = balance

    def nudge(self, offset_um):
        self.balance += offset_um / SCALE_UM
        tell("nudge", offset_um)

    def step(self, tracks):
        tell("step", tracks)

    def reseat(self):
        tell("reseat")


class TellingSession(FakeSession):
    """A fake session whose calls can be read by the process that started it."""

    def __init__(self, balance):
        super().__init__(controls=TellingControls(balance), listed=[("sim:", "Virtual drive")])
        self.sign = Sign.KNOWN
        self.teaching = False
        self.running = False

    def open(self, address, roles=None, options=None):
        self.running = True
        tell("open", address, roles)

    def close(self):
        tell("close")

    def view(self):
        if not self.running:
            return super().view()
        shown = reading(self.controls.balance, sign=self.sign)
        return view(
            self.controls.balance, reading=shown, source="scripted:", teaching=self.teaching
        )

    def begin_teaching(self):
        self.teaching = True
        tell("begin_teaching")

    def teach(self, side):
        self.teaching, self.sign = False, Sign.TAUGHT
        tell("teach", side)


def tell(*words):
    print(*words, flush=True)


class Watch(QTimer):
    """Tells, once each, what has come to be seen; a `full` window fills a full-HD screen."""

    def __init__(self, app, full):
        super().__init__(app)
        self._full = full
        self._window = None
        self._awaited = {"shown": self._is_shown, "listed": self._is_listed}
        self.timeout.connect(self._look)
        self.start(16)

    def _look(self):
        if self._window is None:
            tops = QApplication.topLevelWidgets()
            self._window = next(each for each in tops if isinstance(each, MainWindow))
            if self._full:
                self._window.resize(*FULL_HD)
                self._window.move(0, 0)
            return
        for word in [word for word, is_so in self._awaited.items() if is_so()]:
            del self._awaited[word]
            tell(word)

    def _is_shown(self):
        handle, size = self._window.windowHandle(), self._window.size().toTuple()
        return handle.isExposed() and (not self._full or size == FULL_HD)

    def _is_listed(self):
        source_page = self._window.source_page
        return self._window.page is source_page and not source_page.looking


def main():
    session = TellingSession(float(sys.argv[1]) if len(sys.argv) > 1 else 0.12)
    if "unknown" in sys.argv:
        session.sign = Sign.UNKNOWN
    app = QApplication(sys.argv[:1])
    Watch(app, "full" in sys.argv)
    opening = None if "first" in sys.argv else Opening("sim:")
    return run_dashboard(session, opening, sys.argv[:1])


if __name__ == "__main__":
    raise SystemExit(main())
