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


def live_load(seconds: float = SECONDS) -> Load:
    """Run the dashboard for some seconds in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.load", str(seconds)],
        capture_output=True,
        text=True,
        check=True,
        env=_environment(),
        timeout=seconds + 60,
    )
    lost, *rest = done.stdout.split()
    return Load(int(lost), *(float(value) for value in rest))


def _environment() -> dict[str, str]:
    environment = dict(os.environ, OPENBLAS_NUM_THREADS="1")
    environment.setdefault("QT_QPA_PLATFORM", "offscreen")
    return environment


def _run(seconds: float) -> None:
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
        view = session.view()
        assert view.reading is not None
        assert view.reading.valid
        sys.stdout.write(f"{view.lost_frames} {core} {made} {marks['rss']} {rss_mb()}\n")
        application.quit()

    warm_ms = 5000
    QTimer.singleShot(warm_ms, warm)
    QTimer.singleShot(warm_ms + round(1e3 * seconds), finish)
    application.exec()
    window.stop()
    session.close()


def rss_mb() -> float:
    """Return the memory of this process that is in use, in 1e6 bytes."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def report(say: Callable[[str], object], seconds: float = SECONDS) -> None:
    """Print the table."""
    first_reading_s()  # warms the disk
    first_s = first_reading_s()
    load = live_load(seconds)
    memory = f"{load.rss_early_mb:.0f} to {load.rss_late_mb:.0f} MB"
    rows = [
        ["frames lost", f"{load.lost_frames}", "0"],
        ["of one core, without the drive's own", f"{load.core:.0%}", f"{CORE_ALLOWED:.0%}"],
        ["of one core, the drive's own", f"{load.generation_core:.0%}", ""],
        ["resident memory, from start to end", memory, "flat"],
        ["first valid reading after the command", f"{first_s:.1f} s", f"{FIRST_ALLOWED_S:.0f} s"],
    ]
    heads = ["what", "measured", "allowed"]
    say(table(f"Live load at 2 MS/s, two phases and index, {seconds:.0f} s", heads, rows))


if __name__ == "__main__":
    _run(float(sys.argv[1]))
