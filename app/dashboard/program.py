"""The program that shows the window until it is closed, interrupted or ended.

Threads: everything here runs in the thread of the GUI.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QSize, QTimer
from PySide6.QtGui import QGuiApplication, QIcon
from PySide6.QtWidgets import QApplication

from app import desktop
from app.blackbox.recorder import BlackBox
from app.dashboard.allocator import give_back_each_minute, give_back_large_blocks
from app.dashboard.cycles import collected_here
from app.dashboard.ear import OpenOutput
from app.dashboard.neighbours import windows_path
from app.dashboard.settings import Choice, Settings, settings_path
from app.dashboard.translation import language_of, speak
from app.dashboard.window import MainWindow
from app.ends import heard
from app.faults import words_for
from app.language import spoken
from app.live.opening import Opening

if TYPE_CHECKING:
    from app.live.session import OpenPlayer, Session


def run_dashboard(
    session: Session,
    opening: Opening | None,
    argv: Sequence[str],
    book: Path | None = None,
    settings: Path | None = None,
    steps: str = "",
    open_output: OpenOutput | None = None,
    open_player: OpenPlayer | None = None,
) -> int:
    """Show the window until it is closed or interrupted, and close the session.

    Parameters
    ----------
    session : Session
        What is shown.
    opening : Opening or None
        The source to open at once; None begins with the first page.
    argv : sequence of str
        The program's arguments, for Qt's own options.
    book, settings : Path or None
        The files of job book and settings; the user's own when None.
    steps : str
        The line that steps the drive in a job where the form states none.
    open_output : callable or None
        Opens a sound output for the needle by ear.
    open_player : callable or None
        Opens the sound output by which a check of the input is looked at before a job.

    Returns
    -------
    int
        Exit status.
    """
    give_back_large_blocks()
    app = QApplication.instance() or QApplication(list(argv))
    give_back_each_minute(app)
    QApplication.setStyle("Fusion")
    # By this name a desktop knows whose window it is.
    QGuiApplication.setDesktopFileName(desktop.NAME)
    QApplication.setWindowIcon(QIcon(str(desktop.ICON)))
    remembered = Settings(settings or settings_path())
    code = language_of(remembered.language)
    of_language = speak(app, code)
    box = BlackBox()
    session.tap = box.take
    window = MainWindow(
        session,
        book=book,
        steps=steps,
        open_output=open_output,
        settings=remembered,
        open_player=open_player,
        box=box,
        neighbours=windows_path(),
    )
    if of_language and not remembered.fault:
        # What it lacks is seen anyway; that it cannot be spoken stays until it is put away.
        window.top_bar.remark(of_language, passing=spoken() == code)
    room = QGuiApplication.primaryScreen().availableSize()
    usual = QSize(*remembered.size_px) if remembered.size_px else room * 0.85
    window.resize(usual.boundedTo(room))

    def end(_: int) -> None:
        # Python handles the signal at the window's next frame, hence within milliseconds; that may
        # be in the midst of painting, so the end itself waits for the event loop.
        QTimer.singleShot(0, QApplication.quit)

    print_fault = sys.excepthook

    def tell_fault(kind: type[BaseException], fault: BaseException, where: Any) -> None:
        print_fault(kind, fault, where)
        window.failed.emit(words_for(fault))

    def tell_of_thread(ended: threading.ExceptHookArgs) -> None:
        if ended.exc_value is not None:
            tell_fault(ended.exc_type, ended.exc_value, ended.exc_traceback)

    # Qt goes on after a fault in a slot or a paint, with part of the window left as it was.
    sys.excepthook = tell_fault
    tell_before, threading.excepthook = threading.excepthook, tell_of_thread
    with heard(end), collected_here():
        try:
            if opening is not None:
                window.open_choice(Choice(opening, session.profile.name))
            window.show()
            return app.exec()
        finally:
            sys.excepthook = print_fault
            threading.excepthook = tell_before
            # The window has closed by now: to quit is to close it.
            session.close()
            box.end()
