"""The bar of what is kept: its heights, as parts of the tallest."""

import numpy as np
import pytest
from PySide6.QtCore import QEvent, QPoint, QPointF, Qt
from PySide6.QtGui import QColor, QMouseEvent
from PySide6.QtWidgets import QApplication

from app.dashboard.needle_page.past_bar import PastBar
from app.dashboard.style import LIGHT, Sizes
from tests.app.dashboard.painting import painted_by


def test_it_says_how_far_back_it_goes_with_a_line_for_each_minute(qtbot, monkeypatch):
    made = PastBar(600.0)
    qtbot.addWidget(made)
    made.apply_theme(LIGHT, Sizes(1.0))
    made.resize(400, made.height())
    made.show_past(np.full(400, np.nan), 0.0)
    marks = painted_by(made, monkeypatch)
    (words,) = [mark for mark in marks if mark.kind == "Text"]
    assert words.words == "−10 min"
    # At the left, where the oldest is.
    left, top, _, high = words.shape
    assert not int(words.align) & int(Qt.AlignmentFlag.AlignRight)
    assert 0 <= left < 20
    assert top >= 0
    assert top + high <= made.height()
    ends = sorted(mark.shape[0] for mark in marks if mark.kind == "Line")[:9]
    assert np.diff(ends) == pytest.approx([ends[1] - ends[0]] * 8)


def test_a_drag_asks_for_each_moment_and_for_none_beyond_the_ends(qtbot):
    made = PastBar(600.0)
    qtbot.addWidget(made)
    made.resize(400, made.height())
    asked_s = []
    made.asked.connect(asked_s.append)
    middle = made.height() // 2
    qtbot.mousePress(made, Qt.MouseButton.LeftButton, pos=QPoint(300, middle))
    for x in (100, -50, 450):
        at = QPointF(x, middle)
        button, none = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
        event = QMouseEvent(QEvent.Type.MouseMove, at, made.mapToGlobal(at), button, button, none)
        QApplication.sendEvent(made, event)
    assert asked_s == pytest.approx([150.0, 450.0, 600.0, 0.0])


def test_heights_are_drawn_as_parts_of_the_tallest(qtbot):
    made = PastBar(600.0)
    qtbot.addWidget(made)
    made.apply_theme(LIGHT, Sizes(1.0))
    made.resize(400, made.height())
    made.show_past(np.repeat([0.1, np.nan, 0.4, 0.2], 100), 0.0)
    picture, needle = made.grab().toImage(), QColor(LIGHT.needle)

    def tall(x):
        return sum(picture.pixelColor(x, y) == needle for y in range(picture.height()))

    tallest = tall(250)
    # All but the frame and the strip of what has samples.
    assert made.height() - 16 < tallest < made.height() - 8
    assert [tall(x) for x in (50, 150, 350)] == pytest.approx([tallest / 4, 0, tallest / 2], abs=1)
