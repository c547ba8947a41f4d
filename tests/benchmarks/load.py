"""What the live instrument costs: the dashboard open on the virtual drive at 2 MS/s."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks.tables import table

SECONDS = 60.0
CORE_ALLOWED = 0.60
FIRST_ALLOWED_S = 3.0
_WARM_S = 5.0
ADDRESS = "sim:rate=2000000"
PROFILE = "130mm-48tpi"


@dataclass(frozen=True)
class Load:
    """What a run cost."""

    lost_frames: int
    core: float
    generation_core: float
    rss_early_mb: float
    rss_late_mb: float


def first_reading_s() -> float:
    """Return the time from the command to the first valid reading, imports and all."""
    script = (
        "import sys, time\n"
        "import app.cli.main\n"
        "from PySide6.QtWidgets import QApplication\n"
        "from app.dashboard.window import MainWindow\n"
        "from app.profiles import load_profile\n"
        "from app.live.session import Session\n"
        "app = QApplication(sys.argv[:1])\n"
        "session = Session(load_profile('130mm-48tpi'))\n"
        "window = MainWindow(session)\n"
        "from app.live.opening import Opening\n"
        "window.open_source(Opening('sim:'))\n"
        "window.show()\n"
        "def valid():\n"
        "    reading = session.view().reading\n"
        "    return reading is not None and reading.valid\n"
        "end = time.monotonic() + 30\n"
        "while not valid() and time.monotonic() < end:\n"
        "    app.processEvents()\n"
        "    time.sleep(0.005)\n"
        "print(time.time() if valid() else 'none', flush=True)\n"
        "window.stop(); session.close()\n"
    )
    begun_s = time.time()
    done = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        check=True,
        env=_environment(),
        timeout=60,
    )
    return float(done.stdout.split()[-1]) - begun_s


def live_load(seconds: float = SECONDS, slow: float = 1.0) -> Load:
    """Run the dashboard for some seconds of its clock in a process of its own.

    Parameters
    ----------
    slow : float
        So many times as slow is the clock: a machine that others use too keeps up then, and what a
        second of samples takes of a processor stays the same.
    """
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.load", str(seconds), str(slow)],
        capture_output=True,
        text=True,
        check=True,
        env=_environment(),
        timeout=slow * (seconds + 60),
    )
    lost, *rest = done.stdout.split()
    return Load(int(lost), *(float(value) for value in rest))


def _environment() -> dict[str, str]:
    environment = dict(os.environ, OPENBLAS_NUM_THREADS="1")
    environment.setdefault("QT_QPA_PLATFORM", "offscreen")
    return environment


def _slow_down(slow: float) -> None:
    """Let the monotonic clock and the window's frames go so many times as slow."""
    clock = time.monotonic
    begun_s = clock()
    # Before anything of the program has taken the clock over.
    time.monotonic = lambda: begun_s + (clock() - begun_s) / slow
    from app.dashboard import window

    window._FRAME_MS = round(slow * window._FRAME_MS)


def _run(seconds: float, slow: float) -> None:
    if slow != 1.0:
        _slow_down(slow)
    from PySide6.QtCore import QTimer
    from PySide6.QtWidgets import QApplication

    from app.dashboard.window import MainWindow
    from app.live.opening import Opening
    from app.live.session import Session
    from app.profiles import load_profile
    from instruments.virtual.source import VirtualSource

    spent_s = [0.0]
    read = VirtualSource.read

    def timed(source: VirtualSource, timeout_s: float):
        begun_s = time.thread_time()
        try:
            return read(source, timeout_s)
        finally:
            spent_s[0] += time.thread_time() - begun_s

    VirtualSource.read = timed
    application = QApplication(sys.argv[:1])
    session = Session(load_profile(PROFILE))
    window = MainWindow(session)
    window.resize(1920, 1080)
    window.open_source(Opening(ADDRESS))
    window.show()
    marks: dict[str, float] = {}

    def warm() -> None:
        marks.update(cpu=time.process_time(), made=spent_s[0], at=time.monotonic(), rss=rss_mb())

    def finish() -> None:
        length_s = time.monotonic() - marks["at"]
        made = (spent_s[0] - marks["made"]) / length_s
        core = (time.process_time() - marks["cpu"]) / length_s - made
        marks.update(core=core, made=made)
        application.quit()

    warm_ms = round(1e3 * slow * _WARM_S)
    QTimer.singleShot(warm_ms, warm)
    QTimer.singleShot(warm_ms + round(1e3 * slow * seconds), finish)
    application.exec()
    view = session.view()
    window.stop()
    session.close()
    if view.reading is None or not view.reading.valid:
        sys.exit("no valid reading at the end: the machine is too busy; slow the clock down")
    found = view.lost_frames, marks["core"], marks["made"], marks["rss"], rss_mb()
    sys.stdout.write(" ".join(map(str, found)) + "\n")


def rss_mb() -> float:
    """Return the memory of this process that is in use, in 1e6 bytes."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def report(say: Callable[[str], object], seconds: float = SECONDS, slow: float = 1.0) -> None:
    """Print the table."""
    first_reading_s()  # warms the disk
    first_s = first_reading_s()
    load = live_load(seconds, slow)
    memory = f"{load.rss_early_mb:.0f} to {load.rss_late_mb:.0f} MB"
    rows = [
        ["frames lost", f"{load.lost_frames}", "0"],
        ["of one core, without the drive's own", f"{load.core:.0%}", f"{CORE_ALLOWED:.0%}"],
        ["of one core, the drive's own", f"{load.generation_core:.0%}", ""],
        ["resident memory, from start to end", memory, "flat"],
        ["first valid reading after the command", f"{first_s:.1f} s", f"{FIRST_ALLOWED_S:.0f} s"],
    ]
    heads = ["what", "measured", "allowed"]
    title = f"Live load at 2 MS/s, two phases and index, {seconds:.0f} s"
    if slow != 1.0:
        title += f", by a clock {slow:g} times as slow"
    say(table(title, heads, rows))


if __name__ == "__main__":
    _run(*map(float, sys.argv[1:]))
