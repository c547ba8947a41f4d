"""A card beside what it explains: where it stands, its keys, and each word on the screen."""

import pytest
from PySide6.QtCore import QPoint, QRect, QSize, Qt
from PySide6.QtGui import QAccessible
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from app.dashboard.callout import Widths, _nearest, beside
from app.handbook import MEANINGS, Term
from tests.app.dashboard.fakes import FakeControls, FakeSession, parked, view
from tests.app.dashboard.keys import KEY, SHIFT, press

ROOM = QRect(0, 0, 1000, 600)
WIDTHS = Widths(200, 300)


def high_for(wide):
    """A text of 60 000 square pixels."""
    return 60_000 // wide


@pytest.mark.parametrize(
    "target",
    [
        QRect(0, 0, 600, 600),
        QRect(700, 0, 300, 600),
        QRect(0, 0, 1000, 300),
        QRect(0, 350, 1000, 250),
        QRect(450, 250, 100, 100),
    ],
)
def test_a_card_stands_beside_what_it_explains_and_is_whole(target):
    card, free = beside(target, ROOM, WIDTHS, high_for)
    assert not card.intersects(target)
    assert ROOM.contains(card)
    assert free == target
    assert card.size() == QSize(300, 200)


def test_where_no_side_is_free_half_of_what_is_explained_still_is():
    for target in (QRect(0, 0, 1000, 600), QRect(0, 40, 1000, 500), QRect(10, 90, 980, 505)):
        card, free = beside(target, ROOM, WIDTHS, high_for)
        assert ROOM.contains(card)
        assert not card.intersects(free)
        assert free.height() >= 0.4 * target.height()


def long_for(wide):
    """A text that no side of the room has room for."""
    return 900_000 // wide


@pytest.mark.parametrize(
    ("target", "card"),
    [
        # The right side is the larger one, and the left; no line is longer than two of the usual.
        (QRect(300, 0, 300, 600), QRect(611, 0, 389, 600)),
        (QRect(400, 0, 300, 600), QRect(0, 0, 389, 600)),
        (QRect(0, 0, 150, 600), QRect(161, 0, 600, 600)),
    ],
)
def test_a_card_too_long_for_any_side_has_the_largest(target, card):
    assert beside(target, ROOM, WIDTHS, long_for) == (card, target)


@pytest.mark.parametrize(
    ("target", "top", "free"),
    [
        (QRect(0, 200, 1000, 400), 0, QRect(0, 311, 1000, 289)),
        (QRect(0, 0, 1000, 400), 300, QRect(0, 0, 1000, 289)),
    ],
)
def test_where_less_than_half_is_beside_it_a_long_card_stands_over_half(target, top, free):
    card, left = beside(target, ROOM, WIDTHS, long_for)
    assert (card.top(), card.size(), left) == (top, QSize(600, 300), free)


@pytest.fixture
def session():
    return FakeSession(lambda: view(0.12), FakeControls())


@pytest.fixture
def window(open_window, session):
    made = open_window(session, ticking=False)
    made.show_needle()
    made.tick()
    made.grab()  # what is painted has its place then
    return made


def touch(part, term):
    """Press where a word of a part stands."""
    box = next(box for each, box in part.terms()[::-1] if each == term)
    QTest.mouseClick(part, Qt.MouseButton.LeftButton, pos=box.center().toPoint())


def test_no_card_of_the_tour_scrolls_where_there_is_room(window):
    window.resize(1632, 918)
    window.tour.begin()
    for _ in range(5):
        QApplication.processEvents()
        area = window.callout._area
        assert not area.verticalScrollBar().isVisible()
        assert window.callout._words.height() <= area.viewport().height()
        press(KEY.Key_Return)
    assert window.callout.pointer is None


def explained(window):
    return [(each.part(), each.term) for each in window.needle_page.pointers()]


def test_each_word_of_dial_figures_and_state_is_explained_by_a_touch(window):
    page = window.needle_page
    words = explained(window)
    assert {page.meter, page.figures, page.status} == {part for part, _ in words}
    for part, term in words:
        touch(part, term)
        pointer = window.callout.pointer
        assert (pointer.part(), pointer.term) == (part, term)
        assert window.callout._words.text() == MEANINGS[term]
        assert not window.callout.geometry().intersects(window.callout.marked)
        press(KEY.Key_Escape)
        assert window.callout.pointer is None


def test_the_handbook_has_no_word_that_is_not_on_the_screen(window, session):
    seen = {term for _, term in explained(window)}
    records = view(0.12, records_a_second=2.0)
    session.now = lambda: records
    window.needle_page._slow_at_s = float("-inf")
    window.tick()
    window.grab()
    seen |= {term for _, term in explained(window)}
    session.now = lambda: view(reading=parked())
    window.tick()
    seen |= {term for _, term in explained(window)}
    assert seen == set(Term) == set(MEANINGS)


def test_the_state_has_a_word_for_each_of_its_lines(window):
    status = window.needle_page.status
    assert None not in {line.term for line in status.lines}
    assert len(status.terms()) == len(status.lines)


def test_word_by_word_with_the_keyboard_alone(window, session):
    press(KEY.Key_F1, modifier=SHIFT)
    words = explained(window)
    assert window.callout.pointer.term == Term.NEEDLE
    press(KEY.Key_Return)
    assert window.callout.pointer.term == words[1][1]
    press(KEY.Key_Backspace)
    assert window.callout.pointer.term == Term.NEEDLE
    press(KEY.Key_Backspace)
    for _ in words[1:]:
        press(KEY.Key_Return)
    assert window.callout.pointer.term == words[-1][1]
    # The last one has no next: Enter puts it away, and the needle has the keys again.
    press(KEY.Key_Return)
    assert window.callout.pointer is None
    assert QApplication.focusWidget() is window.needle_page.meter
    assert session.controls.done == []


def test_the_virtual_drive_is_nudged_while_a_card_has_the_keys(window, session):
    press(KEY.Key_F1, modifier=SHIFT)
    press(KEY.Key_Right, KEY.Key_PageDown)
    assert session.controls.done == [("nudge", 5.0), ("step", 1)]
    assert window.callout.pointer.term == Term.NEEDLE


@pytest.mark.parametrize("term", [Term.SPEED, Term.READING])
def test_f1_leads_to_the_words_place_in_the_handbook(window, term):
    touch(window.needle_page.status, term)
    press(KEY.Key_F1)
    assert window.page is window.help_page
    assert window.callout.pointer is None
    text = window.help_page._text
    place = text.cursorRect(text.document().find(MEANINGS[term]))
    assert text.viewport().rect().contains(place)
    press(KEY.Key_Escape)
    assert window.page is window.needle_page


def test_a_card_goes_with_its_part_and_with_the_page(window):
    touch(window.needle_page.figures, Term.OFFSET)
    before = window.callout.marked
    window.resize(1600, 900)
    QApplication.processEvents()
    window.tick()
    assert window.callout.marked != before
    assert window.rect().contains(window.callout.geometry())
    window.resize(480, 320)
    QApplication.processEvents()
    window.tick()
    assert window.rect().contains(window.callout.geometry())
    window.show_drives()
    assert window.callout.pointer is None


def test_a_card_is_named_and_announced(window, announced):
    window.callout.explain(window.needle_page.pointers())
    interface = QAccessible.queryAccessibleInterface(window.callout)
    words = interface.text(QAccessible.Text.Name)
    assert words.startswith("needle")
    assert interface.text(QAccessible.Text.Description) == MEANINGS[Term.NEEDLE]
    assert announced == [f"{words}. {MEANINGS[Term.NEEDLE]}"]


@pytest.mark.parametrize(
    ("point", "nearest"),
    [
        ((0, 30), (10, 30)),
        ((90, 0), (39, 20)),
        ((25, 90), (25, 59)),
        ((25, 30), (25, 30)),
    ],
)
def test_a_line_leads_to_the_nearest_point_of_what_is_framed(point, nearest):
    assert _nearest(QRect(10, 20, 30, 40), QPoint(*point)) == QPoint(*nearest)
