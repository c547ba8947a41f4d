"""The long run: the dashboard open on a scope at full speed, then a hundred connects.

Memory and threads are of this process; the virtual scope has one of its own.
"""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from tests.benchmarks.load import PROFILE, rss_mb

MINUTES = 60
CONNECTS = 100
FAMILY = "A2"
_MINUTE_S = 60.0
_PATIENCE_S = 30.0
_END_S = 5.0
_ROW = "| {:>7} | {:>10} | {:>7} | {:>9} | {:>7} |"


def report(say: Callable[[str], object], minutes: int = MINUTES) -> None:
    """Print a row a minute, and one before and after the connects."""
    with _scope() as address:
        if minutes:
            say(f"### The dashboard on a scope of family {FAMILY} at full speed\n")
            _heads(say, "minute")
            watch(say, address, minutes)
            say("")
        say(f"### {CONNECTS} connects of a session to the scope\n")
        _heads(say, "connects")
        connect_often(say, address)
        say("")


def watch(say: Callable[[str], object], address: str, minutes: int) -> None:
    """Leave the dashboard open for some minutes, and say each minute what it takes up."""
    from PySide6.QtCore import QTimer
    from PySide6.QtWidgets import QApplication

    from app.dashboard.window import MainWindow
    from app.live.opening import Opening
    from app.live.session import Session
    from app.profiles import load_profile

    application = QApplication.instance() or QApplication(sys.argv[:1])
    session = Session(load_profile(PROFILE))
    window = MainWindow(session)
    window.resize(1920, 1080)
    window.open_source(Opening(address))
    window.show()
    passed = 0

    def sample() -> None:
        nonlocal passed
        view = session.view()
        rate = "none" if view.records_a_second is None else f"{view.records_a_second:.1f}"
        _row(say, passed, rate, "valid" if view.reading and view.reading.valid else view.phase)
        passed += 1
        if passed > minutes:
            application.quit()

    timer = QTimer(interval=round(1e3 * _MINUTE_S))
    timer.timeout.connect(sample)
    timer.start()
    # The first row once what is made on the first records has been made.
    QTimer.singleShot(round(1e3 * _END_S), sample)
    application.exec()
    window.stop()
    session.close()
    window.deleteLater()


def connect_often(say: Callable[[str], object], address: str) -> None:
    """Open and close a session again and again, each to its first valid reading.

    Raises
    ------
    RuntimeError
        When a reading does not come.
    """
    from app.live.session import Session
    from app.profiles import load_profile

    profile = load_profile(PROFILE)
    for count in range(CONNECTS + 1):
        begun_s = time.monotonic()
        session = Session(profile)
        session.open(address)
        while not ((reading := session.view().reading) and reading.valid):
            if time.monotonic() > begun_s + _PATIENCE_S:
                raise RuntimeError(f"connect {count}: {session.view().message or 'no reading'}")
            time.sleep(0.01)
        session.close()
        # The first is not counted: it loads what every later one uses.
        if count in (0, 1, 2, 5, 10, 20, 50, CONNECTS):
            _row(say, count, f"{1.0 / (time.monotonic() - begun_s):.1f}", "closed")
    left = [thread.name for thread in threading.enumerate() if thread.name != "MainThread"]
    say(f"\nthreads left: {', '.join(left) or 'none'}")


def _heads(say: Callable[[str], object], what: str) -> None:
    say(_ROW.format(what, "memory, MB", "threads", "a second", "state"))
    say("|---------|------------|---------|-----------|---------|")


def _row(say: Callable[[str], object], count: int, rate: str, state: str) -> None:
    say(_ROW.format(count, f"{rss_mb():.1f}", threading.active_count(), rate, state))


@contextmanager
def _scope() -> Iterator[str]:
    """Serve a virtual scope from a process of its own, and yield its address."""
    command = [sys.executable, "-m", "app", "virtual-scope", "--family", FAMILY]
    command += ["--options", "pace=fast"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as scope:
        assert scope.stdout is not None
        try:
            yield scope.stdout.readline().strip()
        finally:
            scope.terminate()
