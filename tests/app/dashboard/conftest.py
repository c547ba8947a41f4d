"""Qt without a screen, in the style that the program sets, and windows that have the keyboard."""

import pytest
from PySide6.QtGui import QAccessible, QAccessibleAnnouncementEvent
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from app.dashboard.style import LIGHT
from app.dashboard.window import MainWindow


@pytest.fixture(scope="session")
def qapp(qapp):
    QApplication.setStyle("Fusion")
    return qapp


class PatientBot(QtBot):
    """Waits as long as a busy machine may need, and no longer than that."""

    def waitUntil(self, callback, *, timeout=60_000):  # noqa: N802 - Qt's name
        super().waitUntil(callback, timeout=timeout)


@pytest.fixture
def qtbot(qapp, request):
    return PatientBot(request)


@pytest.fixture
def open_window(qtbot):
    """Show a window over a session; its job is written to the end after the test."""
    shown = []

    def open_one(session, book=None, *, ticking=True, **more):
        window = MainWindow(session, LIGHT, book=book, **more)
        qtbot.addWidget(window)
        window.resize(1280, 800)
        if not ticking:
            window.stop()
        with qtbot.waitActive(window):
            window.show()
        shown.append(window)
        return window

    yield open_one
    for window in shown:
        window.controller.end(5.0)


@pytest.fixture
def announced(monkeypatch):
    """What a screen reader is asked to say, in order: the words of the events that Qt is given."""
    words = []

    def take(event):
        if isinstance(event, QAccessibleAnnouncementEvent):
            words.append(event.message())

    monkeypatch.setattr(QAccessible, "updateAccessibility", take)
    return words
