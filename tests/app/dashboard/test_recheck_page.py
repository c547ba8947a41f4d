"""Before a job: what was checked of the input is looked at, once that is asked for."""

from __future__ import annotations

import pytest

from app.dashboard.style import LIGHT
from app.dashboard.window import MainWindow
from app.live.session import Rechecked
from tests.app.dashboard.fakes import view
from tests.app.dashboard.keys import KEY, press
from tests.app.dashboard.test_job import MeasuringSession


class CheckedSession(MeasuringSession):
    """A session over an input of which a check is kept; looking gives `finds`, one by one."""

    def __init__(self, *finds):
        super().__init__()
        self.recheck_words = "Stop the drive's motor."
        self.finds = list(finds)

    def recheck(self, open_player, tell):
        self.calls.append(("recheck", open_player))
        tell("plays 1.56 % of full scale")
        return lambda: self.finds.pop(0)

    def reopen(self):
        self.calls.append(("reopen",))
        self.now = view(0.02)


def player(name, rate_hz):
    raise AssertionError("nothing is opened here")


@pytest.fixture
def begun(qtbot, tmp_path):
    """Begin a job over a session in a window of its own."""
    windows = []

    def begin(session, open_player=player):
        window = MainWindow(session, LIGHT, book=tmp_path / "book.sqlite3", open_player=open_player)
        qtbot.addWidget(window)
        window.stop()
        with qtbot.waitActive(window):
            window.show()
        window.tick()
        window.begin_job("machine 7", "130mm-48tpi")
        windows.append(window)
        return window

    yield begin
    for window in windows:
        window.controller.end(5.0)


def until_done(qtbot, window):
    def looked():
        window.tick()
        assert window.recheck_page._work is None

    qtbot.waitUntil(looked)


def test_it_is_asked_first_and_a_check_that_holds_lets_the_job_begin(qtbot, begun):
    session = CheckedSession(Rechecked())
    window = begun(session)
    page = window.recheck_page
    assert window.page is page
    assert page._words.text() == "Stop the drive's motor."
    assert session.calls == []
    press(KEY.Key_Return)
    until_done(qtbot, window)
    window.tick()
    assert session.calls == [("recheck", player), ("reopen",)]
    assert window.page is window.needle_page
    assert window.controller.job is not None


def test_what_moved_is_told_before_the_job_begins(qtbot, begun):
    window = begun(CheckedSession(Rechecked(moved="the low corner was 7 Hz and is 9 Hz")))
    press(KEY.Key_Return)
    until_done(qtbot, window)
    assert "counts no more: the low corner was 7 Hz and is 9 Hz" in window.recheck_page.status
    assert window.controller.job is None
    press(KEY.Key_Return)
    window.tick()
    assert window.controller.job is not None


def test_a_fault_is_told_and_it_may_be_played_again(qtbot, begun):
    session = CheckedSession(Rechecked(fault="nothing came back"), Rechecked())
    window = begun(session)
    press(KEY.Key_Return)
    until_done(qtbot, window)
    assert window.recheck_page.status.startswith("nothing came back. Mend it and play again")
    press(KEY.Key_Return)
    until_done(qtbot, window)
    window.tick()
    assert window.controller.job is not None


def test_the_job_may_begin_without(begun):
    session = CheckedSession()
    window = begun(session)
    assert window.recheck_page._on.property("next")
    assert not window.recheck_page._skip.property("next")
    window.recheck_page._skip.click()
    window.tick()
    assert window.controller.job is not None
    assert session.calls == []


def test_escape_begins_nothing(begun):
    window = begun(CheckedSession())
    press(KEY.Key_Escape)
    assert window.page is window.needle_page
    assert window.controller.job is None


@pytest.mark.parametrize(("words", "opens"), [("", player), ("Stop the motor.", None)])
def test_where_nothing_is_kept_or_nothing_can_play_nothing_is_asked(begun, words, opens):
    session = CheckedSession()
    session.recheck_words = words
    window = begun(session, opens)
    assert window.page is window.needle_page
    assert window.controller.job is not None
