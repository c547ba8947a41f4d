"""Before a job: what was checked of the input is looked at, once that is asked for."""

from __future__ import annotations

import pytest

from app.live.session import Rechecked
from tests.app.dashboard.keys import KEY, press
from tests.app.dashboard.listening import ListeningSession, player, until_done


class CheckedSession(ListeningSession):
    """Looks at what a check has kept of its input."""

    def __init__(self, *finds):
        super().__init__(*finds)
        self.recheck_words = "Stop the drive's motor."

    def recheck(self, open_player, tell):
        return self.listen("recheck", open_player, tell=tell)


@pytest.fixture
def begun(open_window, tmp_path):
    """Begin a job over a session in a window of its own."""

    def begin(session, open_player=player):
        book = tmp_path / "book.sqlite3"
        window = open_window(session, book, ticking=False, open_player=open_player)
        window.tick()
        window.begin_job("machine 7", "130mm-48tpi")
        return window

    return begin


def test_it_is_asked_first_and_a_check_that_holds_lets_the_job_begin(qtbot, begun):
    session = CheckedSession(Rechecked())
    window = begun(session)
    page = window.recheck_page
    assert window.page is page
    assert page._words.text() == "Stop the drive's motor."
    assert session.calls == []
    press(KEY.Key_Return)
    until_done(qtbot, window, window.recheck_page)
    window.tick()
    assert session.calls == [("recheck", player), ("reopen",)]
    assert window.page is window.needle_page
    assert window.controller.job is not None


def test_what_moved_is_told_before_the_job_begins(qtbot, begun):
    window = begun(CheckedSession(Rechecked(moved="the low corner was 7 Hz and is 9 Hz")))
    press(KEY.Key_Return)
    until_done(qtbot, window, window.recheck_page)
    assert "counts no more: the low corner was 7 Hz and is 9 Hz" in window.recheck_page.status
    assert window.controller.job is None
    press(KEY.Key_Return)
    window.tick()
    assert window.controller.job is not None


def test_a_fault_is_told_and_it_may_be_played_again(qtbot, begun):
    session = CheckedSession(Rechecked(fault="nothing came back"), Rechecked())
    window = begun(session)
    press(KEY.Key_Return)
    until_done(qtbot, window, window.recheck_page)
    assert window.recheck_page.status.startswith("nothing came back. Mend it and play again")
    press(KEY.Key_Return)
    until_done(qtbot, window, window.recheck_page)
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
