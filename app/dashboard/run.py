"""Runs the dashboard on a session, and measures what painting it costs."""

from __future__ import annotations

import signal
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import QTimer
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QApplication

from app.dashboard.window import Window

if TYPE_CHECKING:
    from app.live.session import Session


def run_dashboard(
    session: Session,
    address: str | None,
    argv: Sequence[str],
    roles: str | None = None,
    book: Path | None = None,
) -> int:
    """Show the window until it is closed or interrupted; the session is closed then.

    Parameters
    ----------
    session : Session
        What is shown.
    address : str or None
        The source to open at once; None begins with the first page.
    argv : sequence of str
        The program's arguments, for Qt's own options.
    roles : str or None
        Roles of the source's channels, None for its own.
    book : Path or None
        The job book's file; the user's own when None.

    Returns
    -------
    int
        The exit status.
    """
    app = QApplication.instance() or QApplication(list(argv))
    QApplication.setStyle("Fusion")
    window = Window(session, book=book)
    window.resize(QGuiApplication.primaryScreen().availableSize() * 0.85)
    if address is not None:
        window.open_source(address, roles)
    # Python handles the signal at the window's next frame, hence within milliseconds; that may
    # be in the midst of painting, so the end itself waits for the event loop.
    before = {
        each: signal.signal(each, lambda *_: QTimer.singleShot(0, QApplication.quit))
        for each in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        window.show()
        return app.exec()
    finally:
        window.stop()
        window.close()
        session.close()
        for each, handler in before.items():
            signal.signal(each, handler)


def paint_time_ms(window: Window, frames: int = 60) -> float:
    """Return the median time to show and paint one frame, in milliseconds.

    The dearest frame: the session's newest view is taken, and every instrument of the bench is
    painted anew, whether it changed or not.
    """
    window.stop()
    times_s = []
    for _ in range(frames):
        begun_s = time.perf_counter()
        window.tick()
        window.bench.repaint_instruments()
        QApplication.processEvents()
        times_s.append(time.perf_counter() - begun_s)
        time.sleep(0.016)
    window.start()
    return 1e3 * float(np.median(times_s))
