"""The bar of what is kept: its heights, as parts of the tallest."""

import numpy as np
import pytest
from PySide6.QtGui import QColor

from app.dashboard.needle_page.past_bar import PastBar
from app.dashboard.style import LIGHT, Sizes


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
