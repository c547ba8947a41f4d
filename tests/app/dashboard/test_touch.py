"""By touch alone: the whole job, and what a word means; no mouse event is made by the test."""

import pytest
from PySide6.QtCore import QPoint, QPointF
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


@pytest.fixture
def plot(window):
    """The plot of the large trace, which shows one turn, and its view box."""
    window.needle_page.toggle_large()
    window.tick()
    QApplication.processEvents()
    large = window.needle_page.large
    large.fit()
    return large._plot.viewport(), large._box


def drag(finger, widget, *ways):
    """Lay a finger down for each way from one place to another, move them, and lift them."""
    window = widget.window()
    steps = 10
    for step in range(steps + 1):
        touched = QTest.touchEvent(window, finger)
        for number, (begin, end) in enumerate(ways):
            place = widget.mapTo(window, begin + (end - begin) * step / steps)
            (touched.move if step else touched.press)(number, place, window)
        touched.commit()
        QApplication.processEvents()
    touched = QTest.touchEvent(window, finger)
    for number, (_, end) in enumerate(ways):
        touched.release(number, widget.mapTo(window, end), window)
    touched.commit()
    QApplication.processEvents()


def test_two_fingers_zoom_the_large_trace_about_what_is_between_them(plot, finger):
    view, box = plot
    before, middle = box.viewRect(), view.rect().center()
    at = box.mapSceneToView(middle.toPointF())
    near, far = QPoint(40, 0), QPoint(120, 0)
    drag(finger, view, (middle - near, middle - far), (middle + near, middle + far))
    after = box.viewRect()
    # Three times as far apart.
    assert after.width() == pytest.approx(before.width() / 3.0, rel=0.05)
    assert after.height() == pytest.approx(before.height() / 3.0, rel=0.05)
    still = box.mapSceneToView(middle.toPointF())
    assert (still.x(), still.y()) == pytest.approx((at.x(), at.y()), abs=0.02)
    drag(finger, view, (middle - far, middle - near), (middle + far, middle + near))
    assert box.viewRect().width() == pytest.approx(before.width(), rel=0.05)


def test_a_finger_drags_the_large_trace_and_its_cursors(window, plot, finger):
    view, box = plot
    before, middle = box.viewRect(), view.rect().center()
    drag(finger, view, (middle, middle - QPoint(100, 0)))
    moved = box.viewRect().left() - before.left()
    assert moved == pytest.approx(100 * before.width() / box.width(), rel=0.2)
    large = window.needle_page.large
    large.fit()
    large.cursors.click()
    QApplication.processEvents()
    cursor = large._cursors[0]
    place = box.mapViewToScene(QPointF(cursor.value(), box.viewRect().center().y())).toPoint()
    was, left = cursor.value(), box.viewRect().left()
    drag(finger, view, (place, place + QPoint(80, 0)))
    assert cursor.value() > was + 0.02
    assert box.viewRect().left() == left


def test_the_virtual_drive_is_nudged_by_a_finger(window, finger):
    nudge = window.needle_page.hands.findChildren(TouchButton)[2]
    tap(finger, nudge, QPoint(10, 10))
    assert window._session.controls.done == [("nudge", 5.0)]
