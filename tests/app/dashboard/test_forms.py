"""What is to be typed into a field: within it, or below it where it is longer than the field."""

import pytest
from PySide6.QtWidgets import QVBoxLayout, QWidget

from app.dashboard.forms import FieldGrid, Hint, typing_px
from app.dashboard.style import CONTRAST, DARK, LIGHT, Sizes, palette_for, style_sheet
from app.dashboard.widgets import Field, laid
from tests.app.dashboard.pictures import pixels
from tests.app.dashboard.test_style import contrast

# The plug-in without a screen says so of each window that has a least size.
pytestmark = pytest.mark.qt_log_ignore("propagateSizeHints", extend=True)

WORDS = "Frames a second; the highest usual one that the input takes."


@pytest.fixture
def shown(qtbot):
    """A form of two fields, each with a hint; the second is long."""
    whole = QWidget()
    qtbot.addWidget(whole)
    short, long = Field("Seed", "", whole), Field("Rate", "", whole)
    hints = Hint(short, "Seed of it"), Hint(long, WORDS, "300")
    form = FieldGrid(whole)
    for words, field, hint in zip(("seed", "rate"), (short, long), hints, strict=True):
        form.add_field(words, field, hint)
    laid(QVBoxLayout(whole), form)
    whole.setStyleSheet(style_sheet(LIGHT, Sizes(1.0)))
    whole.show()
    return whole, (short, long), hints


def test_a_hint_stands_within_a_field_that_has_room_and_below_any_other(qtbot, shown):
    whole, (short, long), hints = shown
    whole.resize(1200, 200)
    assert [each.placeholderText() for each in (short, long)] == ["Seed of it", f"300   {WORDS}"]
    assert not any(each.isVisible() for each in hints)
    high = whole.sizeHint().height()
    whole.resize(320, 300)
    qtbot.waitUntil(lambda: hints[1].isVisible())
    assert [each.placeholderText() for each in (short, long)] == ["Seed of it", "300"]
    assert (hints[1].text(), hints[0].isVisible()) == (WORDS, False)
    assert hints[1].y() > long.geometry().bottom()
    assert hints[1].height() >= hints[1].heightForWidth(hints[1].width())
    assert whole.sizeHint().height() > high
    whole.resize(1200, 300)
    qtbot.waitUntil(lambda: not hints[1].isVisible())


def test_a_hint_goes_and_comes_with_its_field(qtbot, shown):
    whole, (_, long), (_, hint) = shown
    whole.resize(320, 300)
    qtbot.waitUntil(hint.isVisible)
    long.hide()
    assert not hint.isVisible()
    long.show()
    assert hint.isVisible()


def test_what_fits_is_told_by_what_a_field_shows(qtbot, shown):
    _, (short, _), _ = shown
    short.setText("m" * 200)
    short.setCursorPosition(0)
    at_the_right_end = short.rect().center()
    at_the_right_end.setX(short.rect().right())
    seen = short.cursorPositionAt(at_the_right_end)
    # The padding at the right end may hide the last of them.
    fit = typing_px(short) / short.fontMetrics().horizontalAdvance("m")
    assert seen - 3 <= fit <= seen


@pytest.mark.parametrize("theme", [LIGHT, DARK, CONTRAST])
def test_a_hint_within_a_field_stands_out_as_other_words_do(qtbot, theme):
    field = Field("Rate", "")
    qtbot.addWidget(field)
    field.setPlaceholderText("\u2588" * 6)  # full blocks: ink without edges
    field.setPalette(palette_for(theme))
    field.setStyleSheet(style_sheet(theme, Sizes(1.0)))
    field.resize(300, 60)
    field.show()
    inks = {tuple(each) for each in pixels(field.grab().toImage()).reshape(-1, 3).tolist()}
    assert theme.faint in {"#{:02x}{:02x}{:02x}".format(*each) for each in inks}
    # WCAG 2.2, 1.4.3: 4.5 : 1 for words, placeholders too.
    assert contrast(theme.faint, theme.face) >= 4.5
