"""A key does one thing: not the next one as well, and not again while something leans on it."""

import pytest
from PySide6.QtWidgets import QApplication, QListWidget

from app.book.model import Drive
from app.book.store import Book
from app.job import messages
from tests.app.dashboard.fakes import FakeControls, FakeSession, view
from tests.app.dashboard.keys import CONTROL, KEY, SHIFT, lean_on, press


@pytest.fixture
def session():
    return FakeSession(lambda: view(0.02), FakeControls())


@pytest.fixture
def window(open_window, session, tmp_path):
    book = tmp_path / "book.sqlite3"
    with Book(book) as opened:
        opened.add_drive(Drive("machine 7", "130mm-48tpi"))
    return open_window(session, book)


def begin(qtbot, window):
    window.show_drives()
    listed = window.drives_page.findChild(QListWidget)
    qtbot.waitUntil(lambda: listed.count() == 1)
    press(KEY.Key_Return)
    assert window.page is window.needle_page


def test_enter_begins_a_job_and_does_not_answer_its_first_caution(qtbot, window):
    begin(qtbot, window)
    assert window.controller.job.ask.message == messages.MAINS


@pytest.mark.few(1)
@pytest.mark.parametrize("field", ["_list", "_address", "_class"])
def test_enter_opens_a_source_and_answers_nothing(qtbot, window, session, field):
    begin(qtbot, window)
    window.show_sources()
    qtbot.waitUntil(lambda: not window.source_page.looking)
    window.source_page._address.setText("sim:")
    getattr(window.source_page, field).setFocus()
    session.calls.clear()
    press(KEY.Key_Return)
    assert [call[0] for call in session.calls] == ["open"]
    assert window.page is window.needle_page
    assert window.controller.job.ask.message == messages.MAINS


def test_leaning_on_enter_confirms_one_caution(qtbot, window):
    begin(qtbot, window)
    lean_on(KEY.Key_Return)
    assert window.controller.job.ask.message == messages.GROUND_CLIP


def test_leaning_on_enter_answers_one_question(qtbot, window):
    begin(qtbot, window)
    while window.controller.job.ask.message != messages.WAS_IT_REFUSED:
        press(KEY.Key_Return)
    # None of the answers has the keys before it is chosen.
    lean_on(KEY.Key_Return)
    assert window.controller.job.ask.message == messages.WAS_IT_REFUSED
    press(KEY.Key_Tab)
    lean_on(KEY.Key_Return)
    assert window.controller.job.ask.message == messages.CLEAN_HEADS
    press(KEY.Key_Return)
    lean_on(KEY.Key_Return)
    assert window.controller.job.ask.message == messages.CHASSIS_TEMPERATURE


def test_arrows_nudge_on_while_they_are_held(qtbot, window, session):
    window.show_needle()

    def seen():
        window.tick()
        return window.needle_page.hands.isVisible()

    qtbot.waitUntil(seen)
    lean_on(KEY.Key_Right, 3)
    assert session.controls.done == [("nudge", 5.0)] * 3


def settled(qtbot, window):
    qtbot.waitUntil(lambda: not window.drives_page._worker.busy)


def test_the_first_drive_is_typed_and_begun_on_without_looking_for_the_field(
    qtbot, open_window, session, tmp_path
):
    window = open_window(session, tmp_path / "new.sqlite3")
    window.show_drives()
    settled(qtbot, window)
    assert (
        not window.drives_page.past.chart._plot.isVisible()
    )  # an axis without a point tells nothing
    qtbot.keyClicks(QApplication.focusWidget(), "TM-0050")
    press(KEY.Key_Return)
    settled(qtbot, window)
    settled(qtbot, window)
    press(KEY.Key_Return)
    assert window.controller.drive.identity == "TM-0050"
    assert window.controller.job.ask.message == messages.MAINS
    window.controller.end(5.0)


def test_enter_in_the_search_leads_to_what_was_found(qtbot, window):
    window.show_drives()
    settled(qtbot, window)
    window.drives_page._search.setFocus()
    qtbot.keyClicks(QApplication.focusWidget(), "7")
    press(KEY.Key_Return)
    settled(qtbot, window)
    press(KEY.Key_Return)
    assert window.controller.drive.identity == "machine 7"


def test_page_keys_look_back_by_a_turn_and_with_shift_by_ten_seconds(window, monkeypatch):
    page, asked = window.needle_page, []
    monkeypatch.setattr(page, "scroll_by", lambda turns: asked.append(("turn", turns)))
    monkeypatch.setattr(page, "scroll_long", lambda times: asked.append(("ten seconds", times)))
    window.show_needle()
    for key in (KEY.Key_PageUp, KEY.Key_PageDown):
        press(key, modifier=CONTROL)
        press(key, modifier=CONTROL | SHIFT)
    assert asked == [("turn", -1), ("ten seconds", -1), ("turn", 1), ("ten seconds", 1)]
