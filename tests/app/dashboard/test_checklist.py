"""The list of a job's checks: its rows as they are painted, chosen and told."""

import math
from dataclasses import replace

import pytest
from PySide6.QtCore import QRect, QRectF, Qt
from PySide6.QtGui import QFontMetricsF
from PySide6.QtWidgets import QAbstractItemView, QStyle, QStyleOptionViewItem

from app.analysis.results import Verdict
from app.dashboard.job_panel.checklist import CheckList, paint_mark
from app.dashboard.job_panel.text import Row
from app.dashboard.style import DARK, LIGHT, Sizes, font_of_cap
from app.job.plan import StepState
from tests.app.dashboard.keys import KEY, SHIFT
from tests.app.dashboard.painting import ROUND, painted, texts

DONE = Row("Radial", "as found", StepState.DONE, Verdict.PASS, "pass", "1.0 ± 0.2 µm")
PENDING = Row("Lock", "work", StepState.PENDING, None, "", "")
IN_HAND = Row("Seating", "work", StepState.IN_HAND, None, "in hand", "")


@pytest.fixture
def checks(qtbot):
    made = CheckList()
    qtbot.addWidget(made)
    made.apply_theme(LIGHT, Sizes(1.0))
    made.resize(400, 300)
    made.show_rows((DONE, PENDING, IN_HAND), 0)
    return made


def row_painted(checks, row, chosen=False, wide=400):
    """The marks of one row, which lies at (10, 20) and is as high as a finger."""
    checks.show_rows((row,), 0)
    option = QStyleOptionViewItem()
    option.rect = QRect(10, 20, wide, 46)
    option.state = QStyle.StateFlag.State_Enabled
    if chosen:
        option.state |= QStyle.StateFlag.State_Selected
    index = checks.model().index(0, 0)
    before = []

    def paint(painter):
        before.append(painter.pen())
        checks.itemDelegate().paint(painter, option, index)
        assert painter.pen() == before[0]  # as it was given

    return painted(paint)


def test_a_row_has_name_and_number_above_stage_and_word(checks):
    marks = row_painted(checks, DONE)
    assert all(mark.smooth for mark in marks)
    written = texts(marks)
    # Text of 18 px: 2.2 of it for the mark, 0.6 at the right, a quarter above and below.
    left, right, top, high = 10 + 39.6, 410 - 10.8, 20 + 4.5, 46 - 9.0
    number = QFontMetricsF(font_of_cap(18 * 0.7)).horizontalAdvance("1.0 ± 0.2 µm")
    upper, lower = (top, 0.54 * high), (top + 0.54 * high, 0.46 * high)
    shapes = {
        "Radial": (left, upper[0], right - left - number - 7.2, upper[1]),
        "1.0 ± 0.2 µm": (right - number, upper[0], number, upper[1]),
        "as found": (left, lower[0], right - left, lower[1]),
        "pass": (left, lower[0], right - left, lower[1]),
    }
    inks = dict(zip(shapes, (LIGHT.ink, LIGHT.ink, LIGHT.faint, LIGHT.good), strict=True))
    for words, shape in shapes.items():
        mark = written[words]
        assert mark.shape == pytest.approx(shape)
        assert mark.pen == inks[words]
        at_right = words in ("1.0 ± 0.2 µm", "pass")
        side = Qt.AlignmentFlag.AlignRight if at_right else Qt.AlignmentFlag.AlignLeft
        assert mark.align == side | Qt.AlignmentFlag.AlignVCenter
        cap = 18 * (0.7 if words in ("Radial", "1.0 ± 0.2 µm") else 0.58)
        assert (mark.font_px, mark.bold) == (font_of_cap(cap).pixelSize(), False)
    (tick,) = [mark for mark in marks if mark.kind == "Polyline"]
    assert tick.shape[0] == pytest.approx(10 + 0.6 * 18)
    assert tick.shape[1] == pytest.approx(20 + 23)


def test_a_row_without_a_number_leaves_its_name_the_room(checks):
    written = texts(row_painted(checks, replace(PENDING, word="to come")))
    assert written["Lock"].shape[2] == pytest.approx(400 - 39.6 - 10.8 - 7.2)
    assert written["Lock"].pen == LIGHT.faint
    assert written["to come"].pen == LIGHT.second


def test_the_row_in_hand_is_bold_with_a_bar_before_it(checks):
    marks = row_painted(checks, IN_HAND)
    written = {mark.words: mark for mark in marks if mark.words}
    assert written["Seating"].bold
    assert written["Seating"].pen == LIGHT.ink
    assert not written["work"].bold
    assert written["in hand"].pen == LIGHT.second
    (bar,) = [mark for mark in marks if mark.kind == "Rect"]
    assert bar.shape == (12, 24, 4, 38)
    assert (bar.brush, bar.pen) == (LIGHT.second, "")
    assert not [mark for mark in row_painted(checks, DONE) if mark.kind == "Rect"]


def test_the_chosen_row_is_framed_and_others_have_a_line_below(checks):
    (frame,) = [mark for mark in row_painted(checks, DONE, chosen=True) if mark.kind == "Rounded"]
    assert frame.shape == (12, 21, 396, 44, 4, 4)
    assert (frame.pen, frame.width, frame.brush) == (LIGHT.second, 2, LIGHT.panel)
    marks = row_painted(checks, DONE)
    (line,) = [mark for mark in marks if mark.kind == "Line"]
    assert line.shape == (10, 66, 410, 66)
    assert (line.pen, line.width) == (LIGHT.line, 0.5)
    assert not [mark for mark in marks if mark.kind == "Rounded"]


def test_long_words_are_cut_short_and_the_number_takes_half_at_the_most(checks):
    long = replace(DONE, name="A name that is far too long", value="a number that is long " * 3)
    marks = row_painted(checks, long, wide=300)
    name, number, *_ = (mark for mark in marks if mark.kind == "Text")
    wide = 300 - 39.6 - 10.8
    assert name.shape[2] == pytest.approx(wide - 0.52 * wide - 7.2)
    for mark, room in ((name, name.shape[2]), (number, 0.52 * wide)):
        assert mark.words.endswith("…")
        drawn = QFontMetricsF(font_of_cap(18 * 0.7)).horizontalAdvance(mark.words)
        assert room - 18 < drawn <= room + 1


def of_verdict(verdict, state=StepState.DONE, side=21.0, theme=LIGHT):
    row = replace(DONE, verdict=verdict, state=state)
    box = QRectF(5, 7, side, side)
    return painted(lambda painter: paint_mark(painter, box, row, theme))


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_each_verdict_has_its_shape_and_colour(qapp, theme):
    left, top, right, bottom, middle = 5.0, 7.0, 26.0, 28.0, 17.5
    shapes = {
        Verdict.PASS: (
            "good",
            [("Polyline", (left, middle, left + 0.38 * 21, bottom - 0.12 * 21, right, top + 2.1))],
        ),
        Verdict.FAIL: (
            "fault",
            [("Line", (left, top, right, bottom)), ("Line", (right, top, left, bottom))],
        ),
        Verdict.UNDECIDED: (
            "caution",
            [("Polygon", ((left + right) / 2, top, right, bottom, left, bottom))],
        ),
        Verdict.NOTED: ("ink", [("Rect", (left + 4.2, top + 4.2, 21 - 7.2, 21 - 7.2))]),
        Verdict.SKIPPED: ("faint", [("Line", (left, middle, right, middle))]),
    }
    for verdict, (ink, wanted) in shapes.items():
        marks = of_verdict(verdict, theme=theme)
        for mark, (kind, shape) in zip(marks, wanted, strict=True):
            assert mark.kind == kind
            assert mark.shape == pytest.approx(shape)
            assert (mark.pen, mark.width, mark.cap) == (getattr(theme, ink), 3.0, ROUND)
            filled = getattr(theme, ink) if verdict is Verdict.NOTED else ""
            assert mark.brush == filled


def test_steps_without_a_verdict_have_shapes_of_their_own(qapp):
    (now,) = of_verdict(None, StepState.IN_HAND)
    assert (now.kind, now.brush, now.pen) == ("Polygon", LIGHT.second, LIGHT.second)
    assert now.shape == (5, 7, 26, 17.5, 5, 28)
    for side, width in ((21.0, 1.5), (7.0, 1.0)):
        (later,) = of_verdict(None, StepState.PENDING, side)
        assert (later.kind, later.brush, later.pen) == ("Ellipse", "", LIGHT.line)
        assert later.shape == (7, 9, side - 4, side - 4)
        assert later.width == width


def test_a_small_mark_is_no_thinner_than_can_be_seen(qapp):
    assert of_verdict(Verdict.FAIL, side=7.0)[0].width == 1.5


def test_rows_are_listed_and_told_and_the_chosen_one_is_seen(qtbot, checks):
    assert checks.rows == (DONE, PENDING, IN_HAND)
    assert checks.item(0).text() == "Radial, as found, 1.0 ± 0.2 µm, pass"
    assert checks.item(2).text() == "Seating, work, in hand"
    looked_at = []
    checks.looked_at.connect(looked_at.append)
    many = tuple(replace(PENDING, name=f"Check {number}") for number in range(30))
    checks.show()
    checks.show_rows(many, 20)
    assert (checks.count(), checks.currentRow(), checks.rows) == (30, 20, many)
    place = checks.visualItemRect(checks.item(20)).center().y()
    assert abs(place - checks.viewport().height() / 2) <= 23
    checks.show_rows(many[:3], 1)
    assert (checks.count(), checks.currentRow()) == (3, 1)
    checks.show_rows(many[:3], None)
    assert checks.currentRow() == 1
    assert looked_at == []  # nobody has chosen
    checks.setCurrentRow(2)
    assert looked_at == [2]
    checks.setCurrentRow(-1)
    assert looked_at == [2]


def test_each_row_that_the_keys_come_to_is_looked_at(qtbot, checks):
    looked = []
    checks.looked_at.connect(looked.append)
    for key in (KEY.Key_End, KEY.Key_Home, KEY.Key_Down):
        qtbot.keyClick(checks, key)
    assert looked == [2, 0, 1]
    checks.setCurrentRow(-1)
    assert looked == [2, 0, 1]


def test_a_row_is_pressed_twice_to_take_it_in_hand(checks):
    taken = []
    checks.taken_up.connect(lambda: taken.append(True))
    checks.doubleClicked.emit(checks.model().index(0, 0))
    assert taken == [True]


def test_enter_takes_in_hand_once_and_with_shift_goes_to_the_window(qtbot, checks):
    taken = []
    checks.taken_up.connect(lambda: taken.append(True))
    qtbot.keyClick(checks, KEY.Key_Return)
    assert taken == [True]
    qtbot.keyClick(checks, KEY.Key_Return, SHIFT)
    assert taken == [True]
    qtbot.keyClick(checks, KEY.Key_Down)
    assert checks.currentRow() == 1


def test_rows_are_for_a_finger_and_scroll_smoothly(checks):
    for unit in (1.0, 2.0):
        checks.apply_theme(LIGHT, Sizes(unit))
        assert checks.sizeHintForRow(0) == Sizes(unit).touch_px
        assert checks.sizeHintForColumn(0) == 60
    never = Qt.ScrollBarPolicy.ScrollBarAlwaysOff
    assert checks.horizontalScrollBarPolicy() == never
    assert checks.verticalScrollMode() == QAbstractItemView.ScrollMode.ScrollPerPixel
    assert checks.uniformItemSizes()
    assert checks.focusPolicy() == Qt.FocusPolicy.TabFocus
    assert checks.accessibleName() == "Checks of the job"
    assert checks.accessibleDescription() == "Arrows choose, Enter takes a check in hand"


@pytest.mark.parametrize(("less", "whole"), [(0, True), (1, False)])
def test_a_name_is_whole_when_it_lacks_less_than_a_pixel(checks, less, whole):
    name = "A name of some words"
    room = QFontMetricsF(font_of_cap(18 * 0.7)).horizontalAdvance(name)
    wide = math.ceil(room + 39.6 + 10.8 + 7.2 - 1) - less
    marks = row_painted(checks, replace(PENDING, name=name), wide=wide)
    mark = next(mark for mark in marks if mark.words)
    assert (mark.words == name) == whole
