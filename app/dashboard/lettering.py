"""Words painted into boxes: as large as fits, wrapped or on one line, and quickly where large."""

from __future__ import annotations

from functools import lru_cache

from PySide6.QtCore import QPointF, QRectF, QSizeF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPixmap, QPixmapCache

from app.dashboard.style import font_of_cap

_MIN_PX = 8
_ANY_PX = 1e6
_TRACED_PX = 64
"""Of larger letters Qt keeps no picture, and traces their outlines each time."""
CENTRED = Qt.AlignmentFlag.AlignCenter
_WRAPPED = int(CENTRED) | int(Qt.TextFlag.TextWordWrap)
LEFT = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
RIGHT = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter


def write(
    painter: QPainter,
    box: QRectF,
    words: str,
    largest_px: int,
    align: Qt.AlignmentFlag = CENTRED,
    *,
    bold: bool = False,
) -> None:
    """Write words into a box, in the painter's pen, no larger than `largest_px`."""
    font = font_of_cap(10, bold=bold)
    font.setPixelSize(size_that_fits(words, box.width(), box.height(), largest_px, bold))
    painter.setFont(font)
    letter(painter, box, int(align) | int(Qt.TextFlag.TextWordWrap), words)


@lru_cache(maxsize=256)
def size_that_fits(words: str, wide: float, high: float, largest_px: int, bold: bool) -> int:
    """Return the largest font size, in pixels, at which words stay within a box."""
    font = font_of_cap(10, bold=bold)
    low, top = _MIN_PX, max(_MIN_PX, largest_px)
    room = QRectF(QPointF(), QSizeF(wide, high))
    while low < top:
        middle = (low + top + 1) // 2
        font.setPixelSize(middle)
        needed = QFontMetricsF(font).boundingRect(room, _WRAPPED, words)
        fits = needed.height() <= high and needed.width() <= wide
        low, top = (middle, top) if fits else (low, middle - 1)
    return low


def height_of(words: str, wide: float, most: float, size_px: int) -> float:
    """Return the height that wrapped words need, at most `most`."""
    font = font_of_cap(10)
    font.setPixelSize(size_px)
    room = QRectF(QPointF(), QSizeF(wide, most))
    needed = QFontMetricsF(font).boundingRect(room, _WRAPPED, words)
    return min(most, needed.height())


@lru_cache(maxsize=512)
def width_of(words: str, size_px: int) -> float:
    """Return the width of words on one line."""
    return _metrics(size_px).horizontalAdvance(words)


@lru_cache(maxsize=512)
def lines_of(words: str, wide: float, size_px: int) -> int:
    """Return how many lines words take in a width; at least one."""
    metrics = _metrics(size_px)
    room = QRectF(0.0, 0.0, wide, _ANY_PX)
    needed = metrics.boundingRect(room, int(Qt.TextFlag.TextWordWrap), words)
    return max(1, round(needed.height() / metrics.lineSpacing()))


def _metrics(size_px: int) -> QFontMetricsF:
    font = font_of_cap(10)
    font.setPixelSize(size_px)
    return QFontMetricsF(font)


def letter(painter: QPainter, box: QRectF, flags: int, words: str) -> None:
    """Write words as the painter does, and large ones on one line from kept pictures of letters.

    Parameters
    ----------
    painter : QPainter
        In whose pen and font it is written.
    box : QRectF
        Where.
    flags : int
        Of alignment and wrapping, as the painter takes them.
    words : str
        What is written.
    """
    font = painter.font()
    metrics = QFontMetricsF(font)
    wide = metrics.horizontalAdvance(words)
    if font.pixelSize() <= _TRACED_PX or wide > box.width() or "\n" in words:
        painter.drawText(box, flags, words)
        return
    place = QRectF(box.topLeft(), QSizeF(wide, metrics.height()))
    spare = QPointF(box.width() - wide, box.height() - metrics.height())
    for flag, part in (
        (Qt.AlignmentFlag.AlignRight, QPointF(spare.x(), 0.0)),
        (Qt.AlignmentFlag.AlignHCenter, QPointF(spare.x() / 2, 0.0)),
        (Qt.AlignmentFlag.AlignBottom, QPointF(0.0, spare.y())),
        (Qt.AlignmentFlag.AlignVCenter, QPointF(0.0, spare.y() / 2)),
    ):
        if flags & flag.value:
            place.translate(part)
    ratio = painter.device().devicePixelRatio()
    for number, each in enumerate(words):
        left = place.left() + metrics.horizontalAdvance(words[:number])
        where = QPointF(round((left - _LETTER_PAD) * ratio), round(place.top() * ratio)) / ratio
        painter.drawPixmap(where, _letter(each, font, painter.pen().color(), ratio))


_LETTER_PAD = 4
"""Pixels beside a letter for what of it reaches beyond its width."""


def _letter(each: str, font: QFont, ink: QColor, ratio: float) -> QPixmap:
    key = f"letter {each} {font.key()} {ink.name()} {ratio}"
    picture = QPixmap()
    if not QPixmapCache.find(key, picture):
        metrics = QFontMetricsF(font)
        size = QSizeF(metrics.horizontalAdvance(each) + 2 * _LETTER_PAD, metrics.height())
        picture = QPixmap((size * ratio).toSize())
        picture.setDevicePixelRatio(ratio)
        picture.fill(Qt.GlobalColor.transparent)
        with QPainter(picture) as painter:
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setFont(font)
            painter.setPen(ink)
            painter.drawText(QPointF(_LETTER_PAD, metrics.ascent()), each)
        QPixmapCache.insert(key, picture)
    return picture
