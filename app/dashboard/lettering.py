"""Words in a box: wrapped, and smaller where they are too long; what marks the virtual drive."""

from __future__ import annotations

from functools import lru_cache

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from app.dashboard.theme import Sizes, Theme, font_of_cap
from app.dashboard.words import translate

_LEAST_PX = 8
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
    painter.drawText(box, int(align) | int(Qt.TextFlag.TextWordWrap), words)


@lru_cache(maxsize=256)
def size_that_fits(words: str, wide: float, high: float, largest_px: int, bold: bool) -> int:
    """Return the largest font size, in pixels, at which words stay within a box."""
    font = font_of_cap(10, bold=bold)
    low, top = _LEAST_PX, max(_LEAST_PX, largest_px)
    while low < top:
        middle = (low + top + 1) // 2
        font.setPixelSize(middle)
        needed = QFontMetricsF(font).boundingRect(QRectF(0, 0, wide, high), _WRAPPED, words)
        fits = needed.height() <= high and needed.width() <= wide
        low, top = (middle, top) if fits else (low, middle - 1)
    return low


def height_of(words: str, wide: float, most: float, size_px: int) -> float:
    """Return the height that wrapped words need, at most `most`."""
    font = font_of_cap(10)
    font.setPixelSize(size_px)
    needed = QFontMetricsF(font).boundingRect(QRectF(0, 0, wide, most), _WRAPPED, words)
    return min(most, needed.height())


class FittedText(QWidget):
    """A label that always shows all of its words."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._words = ""
        self._largest_px = 12
        self._bold = False
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)

    @property
    def words(self) -> str:
        """What is shown."""
        return self._words

    def set_size(self, largest_px: int, *, bold: bool = False) -> None:
        """Set the font size of words that are not too long."""
        self._largest_px, self._bold = largest_px, bold
        self.update()

    def say(self, words: str) -> None:
        """Show words, and tell them to a screen reader."""
        if words != self._words:
            self._words = words
            self.setAccessibleDescription(words)
            self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Paint the words."""
        painter = QPainter(self)
        painter.setPen(self.palette().windowText().color())
        box = QRectF(self.rect())
        write(painter, box, self._words, self._largest_px, LEFT, bold=self._bold)
        painter.end()


def paint_virtual(painter: QPainter, box: QRectF, theme: Theme, sizes: Sizes) -> None:
    """Write *virtual drive* across a box: practice is not to be taken for a drive."""
    text = translate("dashboard", "virtual drive")
    cap = min(box.height() * 0.42, sizes.px(96))
    font = font_of_cap(cap, bold=True)
    wide = QFontMetricsF(font).horizontalAdvance(text)
    if wide > box.width() * 0.8:
        font = font_of_cap(cap * box.width() * 0.8 / wide, bold=True)
    ink = QColor(theme.ink)
    ink.setAlphaF(0.20 if theme.dark else 0.15)
    painter.setFont(font)
    painter.setPen(ink)
    painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)
