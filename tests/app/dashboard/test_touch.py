"""By touch alone: the whole job, and what a word means; no mouse event is made by the test."""

import pytest
from PySide6.QtCore import QPoint
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from app.book.store import Book
from app.dashboard.widgets import TouchButton
from app.handbook import Term
from tests.app.dashboard.test_job import MeasuringSession, refresh, see_nothing

_MOST_TAPS = 400


@pytest.fixture
def book(tmp_path):
    return tmp_path / "book.sqlite3"


@pytest.fixture
def window(open_window, book):
    made = open_window(MeasuringSession(), book, ticking=False)
    made.show_needle()
    made.tick()
    return made


@pytest.fixture(scope="module")
def finger(qapp):
    return QTest.createTouchDevice()


def tap(finger, widget, place=None):
    """Lay a finger on a widget, in its middle or at a place, and lift it."""
    place = widget.rect().center() if place is None else place
    assert widget.visibleRegion().contains(place), "nobody can touch what is not seen"
    window = widget.window()
    where = widget.mapTo(window, place)
    QTest.touchEvent(window, finger).press(0, where, window).commit()
    QTest.touchEvent(window, finger).release(0, where, window).commit()
    QApplication.processEvents()


@pytest.mark.slow
def test_the_whole_job_by_touch_is_in_the_book(qtbot, window, book, finger):
    window.begin_job("machine 7", "130mm-48tpi")
    QApplication.processEvents()
    job, controller = window.needle_page.job, window.controller
    view = job._view
    lend = job.focus_order()[2]
    assert lend.accessibleName() == "Virtual hand"
    for _ in range(_MOST_TAPS):
        if controller.job.closed:
            break
        if controller.writing:
            # What is typed comes from the system's keyboard on the screen.
            tap(finger, view.entry)
            assert view.entry.hasFocus()
            qtbot.keyClicks(view.entry, "practice")
        tap(finger, lend if controller.may_lend_hand else view.button)
        refresh(window)
        see_nothing(window)
        QApplication.processEvents()
        if controller.doubt is not None:
            tap(finger, view.button)
            refresh(window)
    assert controller.job.closed
    controller.end(10.0)
    with Book(book) as kept:
        (shelved,) = kept.drives()
        record = kept.job(shelved.last.number)
    assert record.closed_at
    assert record.closing_reason == "practice"
    assert len(record.outcomes) == len(controller.job.steps)


def test_a_word_is_explained_by_a_finger(window, finger):
    window.grab()  # what is painted has its place then
    status = window.needle_page.status
    place = next(box for term, box in status.terms() if term is Term.SPEED).center().toPoint()
    tap(finger, status, place)
    card = window.callout
    assert card.pointer.term is Term.SPEED
    tap(finger, card._end)
    assert card.pointer is None


def test_the_virtual_drive_is_nudged_by_a_finger(window, finger):
    nudge = window.needle_page.hands.findChildren(TouchButton)[2]
    tap(finger, nudge, QPoint(10, 10))
    assert window._session.controls.done == [("nudge", 5.0)]
