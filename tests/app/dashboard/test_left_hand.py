"""The layout for the left hand: what it goes to is at its side, and what is read stays as it is."""

from itertools import chain

import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtWidgets import QApplication, QScrollBar

from app.dashboard.settings import Settings
from app.dashboard.style import LIGHT
from app.dashboard.window import MainWindow
from tests.app.dashboard.cutting import beyond, cut
from tests.app.dashboard.fakes import FakeControls, FakeSession, view
from tests.app.dashboard.keys import KEY, press
from tests.app.dashboard.whole import all_pages

CONTROL = Qt.KeyboardModifier.ControlModifier
SIZES = ((480, 320), (960, 540), (1024, 640), (1920, 1080), (3840, 2160))


@pytest.fixture
def path(tmp_path):
    return tmp_path / "window.json"


@pytest.fixture
def window(qtbot, path, tmp_path):
    session = FakeSession(lambda: view(0.12), FakeControls())
    book = tmp_path / "book.sqlite3"
    made = MainWindow(session, LIGHT, book=book, settings=Settings(path))
    qtbot.addWidget(made)
    made.stop()
    made.resize(1280, 800)
    with qtbot.waitActive(made):
        made.show()
    made.show_needle()
    made.tick()
    yield made
    made.controller.end(5.0)


def left_of(window, one, other):
    first, second = (each.mapTo(window, QPoint()).x() for each in (one, other))
    return first < second


def settle(window):
    QApplication.processEvents()
    window.tick()
    QApplication.processEvents()


def test_a_key_lays_the_window_out_for_the_other_hand_and_it_is_remembered(window, path):
    page, bar = window.needle_page, window.top_bar
    window.begin_job("machine 7", "130mm-48tpi")
    settle(window)
    pairs = (
        (page.meter, page.job),
        (page.meter, page.figures),
        (bar._source, bar._menu),
        (page._freeze, page.hands),
    )
    assert [left_of(window, *pair) for pair in pairs] == [True] * 4
    press(KEY.Key_L, modifier=CONTROL)
    settle(window)
    assert [left_of(window, *pair) for pair in pairs] == [False] * 4
    assert "left hand" in bar.words
    # Inward stays on the left: the dial and the hands' own buttons are not mirrored.
    inward, *_, outward = page.hands.findChildren(type(bar._menu))[:4]
    assert left_of(window, inward, outward)
    assert Settings(path).left_handed
    press(KEY.Key_L, modifier=CONTROL)
    settle(window)
    assert [left_of(window, *pair) for pair in pairs] == [True] * 4
    assert not Settings(path).left_handed


def test_a_page_that_is_made_later_is_laid_out_so_too(window):
    window.looks.change_hand()
    window.show_sources()
    settle(window)
    page = window.source_page
    assert left_of(window, page._address, page._list)


def test_tab_still_goes_with_the_eye(window):
    window.begin_job("machine 7", "130mm-48tpi")
    window.looks.change_hand()
    window.top_bar.remark("")
    settle(window)
    window.top_bar._menu.setFocus()
    reached = []
    for _ in range(24):
        focused = QApplication.focusWidget()
        if reached and focused is window.top_bar._menu:
            break
        reached.append(focused)
        press(KEY.Key_Tab)
    names = [each.accessibleName() for each in reached]
    assert names[:3] == ["Menu", "Help", "Picture"]
    page = window.needle_page
    in_order = (page.job._view.button, page.meter, page._hold)
    places = [reached.index(each) for each in in_order]
    assert places == sorted(places)


def test_each_bar_by_which_something_scrolls_is_at_the_hand(window, qtbot):
    window.begin_job("machine 7", "130mm-48tpi")
    qtbot.waitUntil(lambda: window.controller.number is not None)
    window.resize(480, 320)
    window.looks.change_hand()
    settle(window)
    seen, away = set(), set()
    for page in chain(["needle"], all_pages(window, qtbot.waitUntil)):
        QApplication.processEvents()
        for bar in window.findChildren(QScrollBar):
            if bar.isVisibleTo(window) and bar.orientation() is Qt.Orientation.Vertical:
                area = bar.parentWidget().parentWidget()
                seen.add(type(area).__name__)
                if bar.mapTo(area, bar.rect().center()).x() > area.width() // 2:
                    away.add((page, type(area).__name__, area.accessibleName()))
    assert seen >= {"QScrollArea", "NamedList", "CheckList", "QTextBrowser"}
    assert away == set()


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.few(2)
def test_nothing_is_cut_or_goes_past_a_side(window, qtbot, size):
    window.begin_job("machine 7", "130mm-48tpi")
    qtbot.waitUntil(lambda: window.controller.number is not None)
    window.stand_for(left_handed=True)
    window.resize(*size)
    settle(window)
    wrong = []
    for page in all_pages(window, qtbot.waitUntil):
        QApplication.processEvents()
        wrong += [(page, fault) for fault in (*cut(window), *beyond(window))]
    assert wrong == []
