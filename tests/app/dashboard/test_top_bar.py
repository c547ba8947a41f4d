"""The bar above every page: one line for what is open, however long, and a remark that goes."""

from functools import partial

import pytest
from PySide6.QtCore import QPoint
from PySide6.QtGui import QFontMetrics
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QMenu

from app.dashboard.style import LIGHT, Sizes, style_sheet
from app.dashboard.top_bar import MenuEntry, SourceLabel, TopBar
from app.dashboard.widgets import TouchButton
from tests.app.dashboard.fakes import FakeControls, FakeSession, view
from tests.app.dashboard.keys import KEY

LONG = "sim:offset_um=-120&creep_um=12&screws=tight&snr_db=28&hysteresis_um=9&seed=20261129"


@pytest.fixture
def window(open_window, tmp_path):
    session = FakeSession(lambda: view(0.12, source=LONG), FakeControls())
    made = open_window(session, tmp_path / "book.sqlite3", ticking=False)
    made.tick()
    return made


@pytest.mark.parametrize("size", [(480, 320), (1024, 640), (1920, 1080)])
def test_what_is_open_takes_one_line_and_keeps_its_ends(window, size):
    window.resize(*size)
    QApplication.processEvents()
    label = window.top_bar._source
    words = label.text()
    assert label.height() < 2 * QFontMetrics(label.font()).height()
    assert label.fontMetrics().horizontalAdvance(words) <= label.width()
    assert words.startswith("VIRTUAL DRIVE  ·  sim:")
    assert words.endswith("  ·  running")
    # All of it for whoever points at it, and for a screen reader.
    whole = f"VIRTUAL DRIVE  ·  {LONG}  ·  running"
    assert label.toolTip() == label.accessibleDescription() == whole
    # Drive class, disk and scale are never cut.
    told = window.top_bar._class
    assert told.text().endswith("µm at balance 1, uncalibrated")
    assert told.height() >= told.heightForWidth(told.width())


def test_no_more_is_cut_than_is_needful(qtbot):
    label = SourceLabel()
    qtbot.addWidget(label)
    label.show()
    label.say("<", "m" * 40, ">")
    label.resize(2000, 20)
    assert label.text() == f"<{'m' * 40}>"
    label.resize(200, 20)
    assert label.text().startswith("<mmm")
    assert label.text().endswith("mmm>")
    assert "…" in label.text()
    label.say("<", "m", ">")
    assert label.text() == "<m>"


def test_a_remark_stands_in_full_until_it_is_put_away(window, tmp_path):
    bar = window.top_bar
    assert bar._remark.isHidden()
    window.resize(480, 320)
    words = "Picture saved: " + "/a folder with a long name" * 6
    bar.remark(words, tmp_path)
    QApplication.processEvents()
    assert bar._folder.isVisible()
    assert bar._remark.text() == words
    assert bar._remark.height() >= bar._remark.heightForWidth(bar._remark.width())
    bar._away.click()
    assert [each.isVisible() for each in (bar._remark, bar._folder, bar._away)] == [False] * 3
    assert bar.words.startswith("VIRTUAL DRIVE")


def test_what_can_be_seen_anyway_is_said_for_a_while(window):
    bar = window.top_bar
    window.looks.next_colours()
    assert "colours are" in bar._remark.text()
    assert bar._passes.isActive()
    bar._passes.timeout.emit()
    assert not bar._remark.isVisible()
    # What has to be read stays, also where it takes the place of what would have gone.
    window.looks.next_colours()
    bar.remark("The disk is full.")
    assert not bar._passes.isActive()


def test_the_buttons_of_a_page_leave_their_keys_out_before_they_take_a_second_line(window):
    window.show_sources()
    heights = []
    for size in ((480, 320), (1280, 800)):
        window.resize(*size)
        QApplication.processEvents()
        row = window.source_page._buttons
        heights.append(row.height())
        told = [each.text() for each in row.findChildren(TouchButton) if "F8" in each.text()]
        assert len(told) == (size[0] > 480)
    assert heights[0] == heights[1]


@pytest.mark.qt_log_ignore("This plugin does not support", extend=True)  # without a screen
@pytest.mark.parametrize("rows", [4, 20, 40])
def test_each_row_of_the_menu_is_touched_and_none_lies_beside_the_screen(qtbot, rows):
    done = []
    entries = [
        MenuEntry(f"the row with number {row}", "", partial(done.append, row))
        for row in range(rows)
    ]
    bar = TopBar(entries)
    qtbot.addWidget(bar)
    sizes = Sizes.of(480, 320)
    bar.setStyleSheet(style_sheet(LIGHT, sizes))
    bar.resize(480, 60)
    bar.fit(480, sizes.touch_px)
    bar.show()
    bar.show_menu()
    (menu,) = bar.findChildren(QMenu)
    room = bar.screen().availableGeometry()
    assert room.contains(menu.geometry())
    places = [menu.actionGeometry(each) for each in menu.actions()]
    # One column: what stands beside it would be cut at the screen's side.
    assert {each.left() for each in places} == {places[0].left()}
    least_px = sizes.touch_px if rows != 20 else 0.7 * sizes.touch_px
    assert all(each.height() >= least_px for each in places)
    whole = sum(room.height() > each.bottom() for each in places)
    assert (whole == rows) is (rows < 40)
    # And the last one is reached where not all are seen.
    QTest.keyClick(menu, KEY.Key_Down)
    QTest.keyClick(menu, KEY.Key_Up)
    assert menu.activeAction() is menu.actions()[-1]
    middle = menu.width() // 2
    seen = {menu.actionAt(QPoint(middle, top)) for top in range(menu.height())}
    assert menu.activeAction() in seen
    QTest.keyClick(menu, KEY.Key_Return)
    assert done == [rows - 1]
