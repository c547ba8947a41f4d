"""Looking at pictures: what colour is near a point, and where two pictures differ."""

import numpy as np
from PySide6.QtCore import QRect
from PySide6.QtGui import QColor, QImage


def pixels(picture):
    """The picture as an array, shape (height, width, 3), red green blue."""
    plain = picture.convertToFormat(QImage.Format.Format_RGB888)
    rows = np.frombuffer(plain.constBits(), np.uint8)
    rows = rows.reshape(plain.height(), plain.bytesPerLine())
    return rows[:, : plain.width() * 3].reshape(plain.height(), plain.width(), 3).astype(int)


def near(picture, point, colour, reach=1, tolerance=12):
    """Whether a pixel within `reach` of a point has a colour."""
    wanted = np.array(QColor(colour).getRgb()[:3])
    x, y = round(point.x()), round(point.y())
    part = pixels(picture.copy(QRect(x - reach, y - reach, 2 * reach + 1, 2 * reach + 1)))
    return bool((np.abs(part - wanted).max(axis=2) <= tolerance).any())


def different(one, other):
    """The smallest rectangle around all pixels that differ."""
    rows, columns = np.nonzero(np.any(pixels(one) != pixels(other), axis=2))
    if not len(rows):
        return QRect()
    left, top = int(columns.min()), int(rows.min())
    return QRect(left, top, int(columns.max()) - left + 1, int(rows.max()) - top + 1)
