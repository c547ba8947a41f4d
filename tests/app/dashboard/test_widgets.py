"""What more than one page is made of: words in boxes, controls and their keys, plots, rows."""

import gc

import numpy as np
import pytest
import shiboken6
from PySide6.QtCore import QEvent, QPoint, QRectF, Qt
from PySide6.QtGui import (
    QColor,
    QFontMetricsF,
    QImage,
    QKeyEvent,
    QPainter,
    QPixmapCache,
    QWheelEvent,
)
from PySide6.QtWidgets import (
    QApplication,
    QGraphicsItem,
    QGraphicsView,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidgetItem,
    QSizePolicy,
    QSpacerItem,
    QVBoxLayout,
    QWidget,
    QWidgetItem,
)

from app.analysis.results import Verdict
from app.dashboard.forms import FieldGrid
from app.dashboard.job_panel.checklist import CheckList
from app.dashboard.job_panel.text import Row
from app.dashboard.lettering import (
    LEFT,
    height_of,
    letter,
    lines_of,
    size_that_fits,
    width_of,
    write,
)
from app.dashboard.still_plot import StillPlot, TitledPlot
from app.dashboard.style import DARK, LIGHT, Sizes, font_of_cap, palette_for, style_sheet
from app.dashboard.widgets import (
    Field,
    FittedText,
    FlowRow,
    Instrument,
    NamedList,
    Page,
    Picker,
    TouchButton,
    button_row,
    laid,
    paint_virtual,
)
from app.job.plan import StepState
from tests.app.dashboard.painting import painted, painted_by, texts
from tests.app.dashboard.pictures import near, pixels

WRAPPED = Qt.AlignmentFlag.AlignCenter.value | Qt.TextFlag.TextWordWrap.value
WORDS = "some words that are long enough to go on in a second line and a third"


def needed(words, wide, high, size_px, bold):
    font = font_of_cap(10, bold=bold)
    font.setPixelSize(size_px)
    box = QFontMetricsF(font).boundingRect(QRectF(0, 0, wide, high), WRAPPED, words)
    return box.width(), box.height()


@pytest.mark.parametrize("bold", [False, True])
@pytest.mark.parametrize(("wide", "high"), [(120, 60), (300, 40), (200, 200), (70, 300)])
def test_words_are_as_large_as_fits_the_box(qapp, wide, high, bold):
    def fits(size_px):
        across, down = needed(WORDS, wide, high, size_px, bold)
        return across <= wide and down <= high

    sizes = [size_px for size_px in range(9, 41) if fits(size_px)]
    assert size_that_fits(WORDS, wide, high, 40, bold) == max(sizes, default=8)


def test_what_just_fits_a_box_fits_it(qapp):
    across, _ = needed("Head", 900, 900, 20, False)
    _, down = needed(WORDS, 300, 900, 20, False)
    assert size_that_fits("Head", across, 900, 40, False) >= 20
    assert size_that_fits(WORDS, 300, down, 40, False) >= 20


def test_words_are_never_larger_than_asked_nor_too_small_to_be_read(qapp):
    assert size_that_fits("a", 900, 900, 31, False) == 31
    assert size_that_fits(WORDS * 20, 30, 10, 40, False) == 8
    assert size_that_fits("a", 900, 900, 3, False) == 8


@pytest.mark.parametrize("size_px", [11, 20])
def test_wrapped_words_are_as_high_as_their_lines(qapp, size_px):
    whole = needed(WORDS, 150, 1000, size_px, False)[1]
    assert height_of(WORDS, 150, 1000, size_px) == whole
    assert height_of(WORDS, 150, whole / 2, size_px) == whole / 2


def test_words_are_written_into_their_box_and_wrapped(qapp):
    box = QRectF(10, 20, 120, 60)
    for bold in (False, True):
        written = painted(lambda p, b=bold: write(p, box, WORDS, 40, LEFT, bold=b))
        (mark,) = written
        assert mark.shape == (10, 20, 120, 60)
        assert (mark.words, mark.align, mark.bold) == (WORDS, LEFT, bold)
        assert mark.font_px == size_that_fits(WORDS, 120, 60, 40, bold)
    (mark,) = painted(lambda painter: write(painter, box, "a", 12))
    assert mark.align == Qt.AlignmentFlag.AlignCenter
    assert not mark.bold


@pytest.mark.parametrize("words", ["0.853", "−12.4 %", "move inward ▶"])
@pytest.mark.parametrize("side", ["AlignLeft", "AlignRight", "AlignHCenter"])
@pytest.mark.parametrize("height", ["AlignTop", "AlignVCenter", "AlignBottom"])
def test_large_words_look_as_the_painter_writes_them(qapp, words, side, height):
    """Beside drawText of the same words, which is what the kept letters stand for."""
    flags = Qt.AlignmentFlag[side].value | Qt.AlignmentFlag[height].value
    pictures = []
    for write_them in (QPainter.drawText, letter):
        picture = QImage(1200, 220, QImage.Format.Format_RGB32)
        picture.fill(Qt.GlobalColor.white)
        with QPainter(picture) as painter:
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setFont(font_of_cap(88, bold=True))
            write_them(painter, QRectF(10, 10, 1180, 200), flags, words)
        pictures.append(255 - pixels(picture)[..., 0])
    wanted, found = pictures
    # Letters begin at whole pixels, so that their edges differ by parts of one.
    assert np.abs(found - wanted).sum() < 0.06 * wanted.sum()
    for axis in (0, 1):
        ends = [np.flatnonzero(each.max(axis=axis) > 128)[[0, -1]] for each in pictures]
        assert np.abs(ends[0] - ends[1]).max() <= 1


def test_lines_are_counted_as_they_wrap(qapp):
    one = width_of("level plus", 12)
    assert [lines_of("level plus", wide, 12) for wide in (one + 1, one - 1, 1.0)] == [1, 2, 2]
    assert lines_of("", 50.0, 12) == 1
    assert width_of("level plus", 24) == pytest.approx(2 * one, rel=0.05)


def test_virtual_drive_fits_a_narrow_box_and_a_low_one(qapp):
    narrow, low, large = (
        texts(painted(lambda p, b=box: paint_virtual(p, b, LIGHT, Sizes(1.0))))["virtual drive"]
        for box in (QRectF(0, 0, 300, 400), QRectF(5, 6, 900, 50), QRectF(0, 0, 1900, 900))
    )
    wide = QFontMetricsF(font_of_cap(96, bold=True)).horizontalAdvance("virtual drive")
    assert narrow.font_px == font_of_cap(96 * 300 * 0.8 / wide, bold=True).pixelSize()
    assert low.font_px == font_of_cap(50 * 0.42, bold=True).pixelSize()
    assert low.shape == (5, 6, 900, 50)
    assert large.font_px == font_of_cap(96, bold=True).pixelSize()
    assert {mark.bold for mark in (narrow, low, large)} == {True}


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_an_instrument_is_a_panel_painted_once_for_a_look(qtbot, monkeypatch, theme):
    QPixmapCache.clear()
    made = Instrument((30, 20), None)
    qtbot.addWidget(made)
    made.resize(300, 200)
    made.show()
    for unit in (1.0, 0.4):
        made.apply_theme(theme, Sizes(unit))
        (panel,) = painted_by(made, monkeypatch)
        assert panel.shape == pytest.approx((1, 1, 298, 198, 10 * unit, 10 * unit))
        assert (panel.pen, panel.brush, panel.smooth) == (theme.line, theme.face, True)
        assert panel.width == max(1.0, 1.5 * unit)
        assert painted_by(made, monkeypatch) == []
        picture = made.grab().toImage()
        assert picture.pixelColor(0, 0).name() == theme.bench
        assert picture.pixelColor(150, 100).name() == theme.face
    made.resize(310, 200)
    assert len(painted_by(made, monkeypatch)) == 1
    assert made.minimumSize().toTuple() == (30, 20)


def test_fitted_words_are_shown_and_told(qtbot, monkeypatch):
    text = FittedText()
    qtbot.addWidget(text)
    text.resize(200, 50)
    text.show()
    text.say(WORDS)
    assert (text.words, text.accessibleDescription()) == (WORDS, WORDS)
    (mark,) = painted_by(text, monkeypatch)
    assert (mark.font_px, mark.bold) == (size_that_fits(WORDS, 200, 50, 12, False), False)
    text.set_size(19, bold=True)
    (mark,) = painted_by(text, monkeypatch)
    assert (mark.font_px, mark.bold) == (size_that_fits(WORDS, 200, 50, 19, True), True)
    assert (mark.shape, mark.align) == ((0, 0, 200, 50), LEFT)
    assert mark.pen == text.palette().windowText().color().name()
    expands = QSizePolicy.Policy.Expanding
    assert text.sizePolicy() == QSizePolicy(expands, expands)


def asks_for_paint(widget, monkeypatch, change):
    asked = []
    with monkeypatch.context() as patched:
        patched.setattr(type(widget), "update", lambda self: asked.append(self))
        change()
    return bool(asked)


def test_only_new_words_are_painted(qtbot, monkeypatch):
    text = FittedText()
    qtbot.addWidget(text)
    assert asks_for_paint(text, monkeypatch, lambda: text.say("a"))
    assert not asks_for_paint(text, monkeypatch, lambda: text.say("a"))
    assert asks_for_paint(text, monkeypatch, lambda: text.set_size(30))
    made = Instrument((1, 1), None)
    qtbot.addWidget(made)
    assert asks_for_paint(made, monkeypatch, lambda: made.apply_theme(DARK, Sizes(1.0)))


def key(which, modifiers=Qt.KeyboardModifier.NoModifier, repeated=False):
    return QKeyEvent(QEvent.Type.KeyPress, which, modifiers, "", repeated)


KEY, SHIFT = Qt.Key, Qt.KeyboardModifier.ShiftModifier


def controls():
    field = Field("Name", "What it is for")
    rows = NamedList("Name", "What it is for", None)
    button = TouchButton("Name", "F9", "What it is for", lambda: None)
    return [(field, field.returnPressed), (rows, rows.asked), (button, button.clicked)]


@pytest.mark.parametrize("which", range(3), ids=["field", "list", "button"])
def test_enter_counts_once_and_goes_no_further(qtbot, which):
    control, signal = controls()[which]
    qtbot.addWidget(control)
    done = []
    signal.connect(lambda *_: done.append(True))
    for enter in (KEY.Key_Return, KEY.Key_Enter):
        done.clear()
        for repeated in (False, True, True):
            event = key(enter, repeated=repeated)
            event.ignore()
            event.accept()
            QApplication.sendEvent(control, event)
            assert event.isAccepted()
        assert done == [True]
    assert (control.accessibleName(), control.accessibleDescription()) == ("Name", "What it is for")


def test_a_button_leaves_shift_to_the_window_and_space_presses_it(qtbot):
    done = []
    button = TouchButton("Go", "F9", "Go on", lambda: done.append(True))
    qtbot.addWidget(button)
    for which in (KEY.Key_Return, KEY.Key_Space):
        event = key(which, SHIFT)
        QApplication.sendEvent(button, event)
        assert not event.isAccepted()
    assert done == []
    qtbot.keyClick(button, KEY.Key_Space)
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    assert done == [True, True]


def test_a_button_says_its_key_and_can_be_the_next(qtbot):
    button = TouchButton("Go", "F9", "Go on", lambda: None)
    plain = TouchButton("Go", "", "Go on", lambda: None, is_next=True)
    for each in (button, plain):
        qtbot.addWidget(each)
        assert each.toolTip() == "Go on"
        assert each.focusPolicy() == Qt.FocusPolicy.TabFocus
        policy = QSizePolicy.Policy
        assert each.sizePolicy().horizontalPolicy() == policy.Preferred
        assert each.sizePolicy().verticalPolicy() == policy.Fixed
    assert (button.text(), plain.text()) == ("Go  F9", "Go")
    button.say("Follow")
    assert (button.text(), button.accessibleName()) == ("Follow  F9", "Follow")
    assert (button.property("next"), plain.property("next")) == (False, True)
    button.setStyleSheet('QPushButton[next="true"] { background: #14663f; border: none; }')
    button.resize(90, 40)
    button.set_next(True)
    assert near(button.grab().toImage(), QRectF(4, 4, 0, 0).center(), "#14663f")
    button.set_next(False)
    assert not near(button.grab().toImage(), QRectF(4, 4, 0, 0).center(), "#14663f")


def test_a_long_row_of_a_list_goes_on_in_its_next_line_and_a_double_press_is_taken(qtbot):
    rows = NamedList("Name", "What it is for", None)
    qtbot.addWidget(rows)
    rows.resize(200, 300)
    rows.show_rows(["a row", " ".join(["words of a row"] * 6)])
    with qtbot.waitExposed(rows):
        rows.show()
    short, long = (rows.visualItemRect(rows.item(row)) for row in (0, 1))
    assert long.height() >= 3 * rows.fontMetrics().height() > short.height()
    assert long.width() <= rows.viewport().width()
    assert rows.horizontalScrollBarPolicy() == Qt.ScrollBarPolicy.ScrollBarAlwaysOff
    with qtbot.waitSignal(rows.asked):
        rows.itemActivated.emit(rows.item(0))


def test_a_box_of_choices_has_its_arrow_in_every_style(qtbot):
    box = Picker("Name", "What it is for")
    qtbot.addWidget(box)
    box.resize(160, 44)
    for theme in (LIGHT, DARK):
        box.setPalette(palette_for(theme))
        box.setStyleSheet(style_sheet(theme, Sizes(0.7)))
        right = pixels(box.grab().toImage())[8:-8, -24:-8]
        ink = QColor(theme.ink).getRgb()[:3]
        assert (np.abs(right - ink).max(axis=2) < 40).sum() > 5


def test_no_item_of_a_list_is_held_beside_the_list(qtbot):
    # Of an item that Qt has deleted one would be left that leads nowhere.
    rows, checks = NamedList("Name", "What it is for", None), CheckList()
    row = Row("Radial", "as found", StepState.DONE, Verdict.PASS, "pass", "")
    for each in (rows, checks):
        qtbot.addWidget(each)
        each.show()
    for many in (3, 1, 2, 0):
        rows.show_rows(map(str, range(many)), many - 1)
        checks.show_rows((row,) * many, many - 1 if many else None)
        assert (rows.count(), checks.count()) == (many, many)
        items = [each for each in gc.get_objects() if isinstance(each, QListWidgetItem)]
        alive = [each for each in items if shiboken6.isValid(each)]
        assert not [each for each in alive if each.listWidget() in (rows, checks)]


def test_letters_and_arrows_still_reach_field_and_list(qtbot):
    field, rows = Field("", ""), NamedList("Name", "", None)
    for each in (field, rows):
        qtbot.addWidget(each)
    qtbot.keyClicks(field, "ab")
    assert field.text() == "ab"
    rows.addItems(["one", "two"])
    rows.setCurrentRow(0)
    qtbot.keyClick(rows, KEY.Key_Down)
    assert rows.currentRow() == 1


@pytest.fixture
def plot(qtbot):
    made = StillPlot({})
    qtbot.addWidget(made)
    made.resize(600, 300)
    made.apply_theme(DARK, Sizes(0.5))
    return made


def test_a_plot_stands_still(plot):
    item = plot.plot_item
    assert item.vb.state["mouseEnabled"] == [False, False]
    assert item.vb.state["autoRange"] == [False, False]
    assert not item.menuEnabled()
    assert item.buttonsHidden
    assert plot.focusPolicy() == Qt.FocusPolicy.NoFocus
    assert plot.cacheMode() == QGraphicsView.CacheModeFlag.CacheBackground
    assert not plot.renderHints() & plot.renderHints().Antialiasing


@pytest.mark.parametrize("zooms", [False, True])
def test_a_wheel_over_a_plot_that_does_not_zoom_turns_the_page(plot, zooms):
    plot.plot_item.setMouseEnabled(x=zooms, y=False)
    shown = plot.plot_item.viewRange()[0]
    # An axis takes it, where the rest of a plot does not.
    at = plot.plot_item.getAxis("bottom").sceneBoundingRect().center()
    turned, plain = QPoint(0, -120), Qt.KeyboardModifier.NoModifier
    none, phase = Qt.MouseButton.NoButton, Qt.ScrollPhase.NoScrollPhase
    wheel = QWheelEvent(
        at, plot.viewport().mapToGlobal(at), QPoint(), turned, none, plain, phase, False
    )
    QApplication.sendEvent(plot.viewport(), wheel)
    assert (plot.plot_item.viewRange()[0] != shown) is zooms
    # What is not taken goes to what the plot lies in: QApplication::notify, for events of a hand.
    assert wheel.isAccepted() is zooms


def test_a_plot_takes_on_colours_and_sizes(plot):
    for theme, sizes in ((DARK, Sizes(0.5)), (LIGHT, Sizes(2.0))):
        plot.apply_theme(theme, sizes)
        text = sizes.text_px
        assert plot.sizes is sizes
        assert plot.backgroundBrush().color().name() == theme.face
        assert plot.plot_item.layout.getContentsMargins() == (text // 2, text // 2, 2 * text, 0)
        for side in ("left", "bottom"):
            axis = plot.plot_item.getAxis(side)
            assert axis.textPen().color().name() == theme.ink
            assert (axis.pen().color().name(), axis.pen().widthF()) == (theme.line, 1)
            assert axis.cacheMode() == QGraphicsItem.CacheMode.DeviceCoordinateCache
            assert axis.style["tickFont"].pixelSize() == text
            assert axis.style["hideOverlappingLabels"] == 2 * text


@pytest.mark.parametrize(("unit", "width", "drawn"), [(2.0, 3.0, 6.0), (0.5, 1.0, 1.0)])
def test_a_plots_pens_follow_the_window(plot, unit, width, drawn):
    plot.apply_theme(DARK, Sizes(unit))
    pen = plot.pen("#102030", width)
    assert (pen.color().name(), pen.widthF(), pen.isCosmetic()) == ("#102030", drawn, True)


def test_virtual_drive_is_written_across_a_plot_while_it_is_that(plot, monkeypatch):
    def across():
        ground = plot.grab().toImage()
        plot.set_virtual(True)
        virtual = plot.grab().toImage()
        plot.set_virtual(False)
        return ground != virtual, plot.grab().toImage() == ground

    assert across() == (True, True)
    assert asks_for_cache(plot, monkeypatch, lambda: plot.set_virtual(True))
    assert not asks_for_cache(plot, monkeypatch, lambda: plot.set_virtual(True))


def asks_for_cache(plot, monkeypatch, change):
    asked = []
    with monkeypatch.context() as patched:
        patched.setattr(plot, "resetCachedContent", lambda: asked.append(True))
        change()
    return bool(asked)


def test_a_titled_plot_is_below_its_words(qtbot):
    made = TitledPlot({}, None)
    qtbot.addWidget(made)
    made.resize(500, 300)
    made._set_title("What it shows")
    made.grab()
    assert made._title.text() == made.accessibleDescription() == "What it shows"
    title, plot = made._title.geometry(), made._plot.geometry()
    assert (title.topLeft().toTuple(), title.width()) == ((0, 0), 500)
    assert (plot.top(), plot.bottom(), plot.width()) == (title.bottom() + 1, 299, 500)
    assert title.height() <= made._title.sizeHint().height()


def test_a_page_has_a_title_and_says_how_it_went(qtbot):
    page = Page(None)
    qtbot.addWidget(page)
    page.say("<b>plain</b>")
    assert page.status == "<b>plain</b>"
    assert page.objectName() == "page"
    assert page._title.property("title") is True
    assert page._status.wordWrap()
    assert page._status.textFormat() == Qt.TextFormat.PlainText


def test_parts_are_laid_one_after_the_other(qtbot):
    whole = QWidget()
    qtbot.addWidget(whole)
    one, two = QLabel("one"), QLabel("two")
    inner = QHBoxLayout()
    box = laid(QVBoxLayout(whole), one, (two, 3), (inner, 2), 4, flush=True)
    items = [box.itemAt(place) for place in range(box.count())]
    assert [item.widget() for item in items[:2]] == [one, two]
    assert items[2].layout() is inner
    assert [box.stretch(place) for place in range(4)] == [0, 3, 2, 4]
    assert box.getContentsMargins() == (0, 0, 0, 0)
    assert laid(QVBoxLayout(QWidget()), one).getContentsMargins() != (0, 0, 0, 0)


def test_no_python_object_outlives_the_item_of_a_widget_that_moves_on(qtbot):
    kinds = (QWidgetItem, QSpacerItem)
    before = [each for each in gc.get_objects() if type(each) in kinds]
    whole, moving = QWidget(), QLabel("moving")
    qtbot.addWidget(whole)
    deep = laid(QHBoxLayout(), moving, 1)
    laid(QVBoxLayout(whole), laid(QVBoxLayout(), deep, QLabel("stays")))
    items = [each for each in gc.get_objects() if type(each) in kinds]
    items = [each for each in items if not any(each is other for other in before)]
    assert len(items) >= 3
    assert [item for item in items if shiboken6.isValid(item)] == []
    whole.layout().addWidget(moving)
    assert deep.count() == 1


def test_buttons_stand_at_the_left_and_fields_behind_their_labels(qtbot):
    whole = QWidget()
    qtbot.addWidget(whole)
    one, two, away = QLabel("one"), QLabel("two"), QLabel("away")
    row = button_row(one, away, two)
    qtbot.addWidget(row)
    away.hide()
    row.resize(300, 60)
    row.show()
    assert (one.x(), two.y()) == (0, 0)
    assert two.x() == one.width() + 6
    row.resize(one.sizeHint().width() + 10, 60)
    assert (two.x(), two.y()) == (0, one.height() + 6)
    assert row.heightForWidth(row.width()) == one.height() + 6 + two.height()
    fields = [QLineEdit(), QLineEdit()]
    form = FieldGrid(whole)
    for words, field in zip(("First", "Second"), fields, strict=True):
        form.add_field(words, field)
    for place, (words, field) in enumerate(zip(("First", "Second"), fields, strict=True)):
        label = form.itemAtPosition(place, 0).widget()
        assert (label.text(), label.buddy()) == (words, field)
        assert form.itemAtPosition(place, 1).widget() is field


def test_a_filled_row_shares_its_parts_evenly_among_its_lines(qtbot):
    parts = [QLabel("m" * 10) for _ in range(4)]
    row = FlowRow(*parts, filled=True)
    qtbot.addWidget(row)
    wide = parts[0].sizeHint().width()
    row.resize(round(3.5 * wide), 200)
    row.show()
    assert [each.y() for each in parts] == [0, 0, parts[0].height() + 6, parts[0].height() + 6]
    assert {each.width() for each in parts} == {parts[0].width()}
    assert [parts[0].x(), parts[1].geometry().right() + 1] == [0, row.width()]
    # Two lines of three and one where the two would not fit otherwise.
    parts[2].setText("m" * 24)
    row.resize(round(3.1 * wide), 200)
    assert [each.y() for each in parts[:2]] == [0, 0]
    assert parts[2].y() > 0


def test_what_is_wider_than_a_row_gets_the_row_s_width_and_a_line_of_its_own(qtbot):
    short, long = QLabel("m"), QLabel("m" * 80)
    row = FlowRow(short, long)
    qtbot.addWidget(row)
    narrow = 2 * short.sizeHint().width()
    row.resize(narrow, 200)
    row.show()
    assert (short.x(), short.y(), short.width()) == (0, 0, short.sizeHint().width())
    assert (long.x(), long.width()) == (0, narrow)
    assert long.y() > short.geometry().bottom()
