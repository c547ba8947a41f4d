"""A device that is open in another window is named, and that window shown where it is asked for."""

import signal
import subprocess
import sys

import pytest
from PySide6.QtCore import Qt

from app.dashboard.neighbours import Neighbours, device_of
from app.dashboard.style import LIGHT
from app.dashboard.window import MainWindow
from tests.app.dashboard.fakes import FakeSession, view
from tests.app.dashboard.keys import KEY, press
from tests.app.dashboard.person import Person

CARD = "sound:Card a, ALSA"
FOUND = [("sim:", "Virtual drive"), (CARD, "Card a")]
HOLDS = """
import sys, time
from pathlib import Path
from app.dashboard.neighbours import Neighbours
own = Neighbours(Path(sys.argv[1]), None)
own.hold(sys.argv[2], 0.0)
print("holds", flush=True)
time.sleep(60)
"""


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "windows"


@pytest.fixture
def open_one(qtbot, folder):
    def opened(now=None):
        session = FakeSession(now, listed=FOUND)
        window = MainWindow(session, LIGHT, neighbours=folder)
        qtbot.addWidget(window)
        window.resize(1280, 800)
        with qtbot.waitActive(window):
            window.show()
        window.tick()
        return window, session

    return opened


def opened_by(session):
    return [call[1] for call in session.calls if call[0] == "open"]


@pytest.mark.qt_log_ignore("does not support raise", extend=True)  # without a screen
def test_what_another_window_has_open_is_named_and_opened_when_asked_for_twice(qtbot, open_one):
    first, _ = open_one(view(0.1, source=f"{CARD}?rate=96000"))
    window, session = open_one()
    person = Person(qtbot, window, at_sources=True)
    person.choose(CARD)
    person.enter()
    page = window.source_page
    assert opened_by(session) == []
    assert f"“{CARD}” is open in another window" in page.status
    assert page._show_there.isVisible()
    with qtbot.waitActive(first):
        page._show_there.click()
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow)
    page._on.setFocus()
    press(KEY.Key_Return)
    assert opened_by(session) == [CARD]


def test_another_choice_is_told_anew(qtbot, open_one):
    open_one(view(0.1, source=CARD))
    window, session = open_one()
    person = Person(qtbot, window, at_sources=True)
    person.choose(CARD)
    person.enter()
    page = window.source_page
    person.choose("Virtual drive")
    assert not page._show_there.isVisible()
    person.choose(CARD)
    person.type(page._address, "?rate=96000")
    person.enter()
    assert opened_by(session) == []
    assert page.choice.opening.address == f"{CARD}?rate=96000"


@pytest.mark.qt_log_ignore("does not support raise", extend=True)  # without a screen
def test_a_window_that_has_gone_meanwhile_is_not_shown_and_that_is_said(qtbot, open_one):
    first, _ = open_one(view(0.1, source=CARD))
    window, session = open_one()
    person = Person(qtbot, window, at_sources=True)
    person.choose(CARD)
    person.enter()
    page = window.source_page
    first.close()
    page._show_there.click()
    assert page.status.startswith(f"“{CARD}” is open in no other window any more")
    assert not page._show_there.isVisible()
    person.enter()
    assert opened_by(session) == [CARD]


@pytest.mark.qt_log_ignore("does not support raise", extend=True)  # without a screen
@pytest.mark.parametrize("size", ["showNormal", "showMaximized", "showFullScreen"])
def test_a_window_comes_back_from_the_task_bar_as_large_as_it_was(open_one, size):
    first, _ = open_one(view(0.1, source=CARD))
    second, _ = open_one()
    getattr(first, size)()
    before = first.windowState()
    first.showMinimized()
    assert first.isMinimized()
    assert second.neighbours.show(CARD)
    first.neighbours.hold(CARD, float("inf"))
    assert not first.isMinimized()
    state = Qt.WindowState.WindowMaximized | Qt.WindowState.WindowFullScreen
    assert first.windowState() & state == before & state


def test_what_is_no_device_each_window_has_for_itself(qtbot, open_one):
    open_one(view(0.1, source="sim:"))
    window, session = open_one()
    person = Person(qtbot, window, at_sources=True)
    person.choose("Virtual drive")
    person.enter()
    assert opened_by(session) == ["sim:"]


def test_a_window_that_has_closed_holds_nothing(open_one, folder):
    first, session = open_one(view(0.1, source=CARD))
    second, _ = open_one()
    assert second.neighbours.has(CARD)
    session.close()
    first.tick()
    assert not second.neighbours.has(CARD)
    session.now = view(0.1, source=CARD)
    first.tick()
    assert second.neighbours.has(CARD)
    first.close()
    assert not second.neighbours.has(CARD)
    second.close()
    assert list(folder.iterdir()) == []


def test_a_program_that_was_killed_holds_nothing_and_leaves_nothing(folder, qapp):
    folder.mkdir()
    own = Neighbours(folder, None)
    command = [sys.executable, "-c", HOLDS, folder, CARD]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as held:
        try:
            assert held.stdout is not None
            assert held.stdout.readline() == b"holds\n"
            assert own.has(CARD)
        finally:
            held.send_signal(signal.SIGKILL)
    assert not own.has(CARD)
    own.end()
    assert list(folder.iterdir()) == []


def test_files_that_say_nothing_and_a_folder_that_takes_none_are_no_window(folder, tmp_path, qapp):
    folder.mkdir()
    (folder / "1-0.open").write_bytes(b"\xff" * 10)
    (folder / "2-0.open").mkdir()
    own = Neighbours(folder, None)
    assert not own.has(CARD)
    own.end()
    (tmp_path / "file").touch()
    nobody = Neighbours(tmp_path / "file" / "windows", None)
    nobody.hold(CARD, 0.0)
    assert not nobody.show(CARD)
    assert not nobody.has(CARD)


@pytest.mark.parametrize(
    ("address", "device"),
    [
        (f"{CARD}?rate=96000", CARD),
        ("visa:TCPIP::192.0.2.7::5025::SOCKET", "visa:TCPIP::192.0.2.7::5025::SOCKET"),
        ("sim:", ""),
        ("file:/a.wav", ""),
        ("run:record", ""),
        ("", ""),
    ],
)
def test_a_device_is_the_same_however_it_is_set(address, device):
    assert device_of(address) == device
