"""The figures beside the dial: ratio, difference and offset, each with its uncertainty."""

from __future__ import annotations

from math import ceil

from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from app.dashboard.lettering import RIGHT, letter, lines_of, size_that_fits, width_of
from app.dashboard.style import FIGURE_CAP, Sizes, Theme, font_of_cap
from app.dashboard.text import Face, FigureText
from app.dashboard.widgets import Instrument, named
from app.handbook import Term

_RATIO_CAP = 104.0
_SMALL_CAP = FIGURE_CAP + 5
_LEAST_CAP_PX = 9.0
_WITH_DESCENDERS = 1.35
"""Height of figures and units over that of their capitals."""
_SMALLER = 0.8
"""Words get so much smaller before they take a second line."""
_READABLE_PX = 12
"""No smaller for that, either: what is wanting is no less than what is found."""
_RATIO_PART = 0.42
"""Of the height; the other two share the rest."""


class FiguresView(Instrument):
    """Ratio, difference and offset, to be read from two metres."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__((200, 200), parent)
        self._face = Face()
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Expanding)
        named(self, self.tr("Ratio, difference and offset"))

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        super().apply_theme(theme, sizes)
        self.updateGeometry()

    def sizeHint(self) -> QSize:  # noqa: N802
        """Return the room that the widest offset needs."""
        return QSize(self._sizes.whole_px(600), self._sizes.whole_px(560))

    def show_face(self, face: Face) -> None:
        """Show what `face` says."""
        if face != self._face:
            self._face = face
            figures = (face.ratio, face.difference, face.offset)
            words = [
                text
                for each in figures
                for text in (each.text, f"{each.u_text} {each.proviso}".rstrip())
            ]
            self.setAccessibleDescription(
                self.tr("Ratio {0} {1}; difference {2} {3}; offset {4} {5}").format(*words)
            )
            self.update()

    def terms(self) -> list[tuple[Term, QRectF]]:
        """Return the figures, each with its place, and what stands small beside one."""
        blocks = self._blocks()
        terms = (Term.RATIO, Term.DIFFERENCE, Term.OFFSET)
        found: list[tuple[Term, QRectF]] = [*zip(terms, blocks, strict=True)]
        if self._face.ratio.u_text:
            found.append((Term.UNCERTAINTY, _corner(blocks[0], bottom=True)))
        if self._face.offset.proviso:
            found.append((Term.PROVISO, _corner(blocks[2], bottom=False)))
        return found

    def _blocks(self) -> list[QRectF]:
        """Return the places of the three figures, the ratio's the largest."""
        boxes, top = [], 0.0
        for part in (_RATIO_PART, (1 - _RATIO_PART) / 2, (1 - _RATIO_PART) / 2):
            boxes.append(QRectF(0.0, top, self.width(), part * self.height()))
            top = boxes[-1].bottom()
        return boxes

    def _paint(self, painter: QPainter) -> None:
        """Paint the three figures, with a line between each two."""
        face = self._face
        names = (self.tr("ratio"), self.tr("difference"), self.tr("offset"))
        figures = (face.ratio, face.difference, face.offset)
        caps = (_RATIO_CAP, _SMALL_CAP, _SMALL_CAP)
        for box, name, figure, cap in zip(self._blocks(), names, figures, caps, strict=True):
            if box.top():
                painter.setPen(QPen(QColor(self._theme.line), max(1.0, self._sizes.px(1.5))))
                painter.drawLine(box.topLeft(), box.topRight())
            self._block(painter, box, name, figure, self._sizes.px(cap))

    def _block(
        self, painter: QPainter, box: QRectF, name: str, figure: FigureText, cap: float
    ) -> None:
        px, align = self._sizes.px, Qt.AlignmentFlag
        inner = box.adjusted(px(20), px(12), -px(20), -px(10))
        painter.setPen(QColor(self._theme.faint))
        painter.setFont(font_of_cap(self._sizes.print_px(15)))
        painter.drawText(inner, align.AlignLeft | align.AlignTop, name)
        room = QFontMetricsF(painter.font()).horizontalAdvance(f"{name}  ")
        beside = inner.adjusted(room, 0, 0, 0)
        small = font_of_cap(self._sizes.print_px(17))
        places = ((figure.proviso, beside), (figure.u_text, inner))
        # As large as the uncertainty, for it may matter more.
        small.setPixelSize(min(_small_px(words, at, small.pixelSize()) for words, at in places))
        above, below = (_lines(words, at, small) for words, at in places)
        line = QFontMetricsF(small).height()
        # Between what stands small above and below it, its descenders too.
        cap = min(cap, (inner.height() - (above + below) * line) / _WITH_DESCENDERS)
        wide = QFontMetricsF(font_of_cap(max(_LEAST_CAP_PX, cap), bold=True)).horizontalAdvance(
            figure.text
        )
        cap *= min(1.0, inner.width() / max(1.0, wide))
        painter.setPen(QColor(self._theme.ink))
        painter.setFont(font_of_cap(max(_LEAST_CAP_PX, cap), bold=True))
        between = inner.adjusted(0, (above - 1) * line, 0, -(below - 1) * line)
        letter(painter, between, int(RIGHT), figure.text)
        painter.setFont(small)
        wrapped = align.AlignRight | Qt.TextFlag.TextWordWrap
        painter.drawText(inner, int(wrapped | align.AlignBottom), figure.u_text)
        if figure.proviso:
            painter.setPen(QColor(self._theme.caution))
            painter.drawText(beside, int(wrapped | align.AlignTop), figure.proviso)


def _small_px(words: str, place: QRectF, largest_px: int) -> int:
    """Return a size at which words stand in a place: a little smaller, else on more lines."""
    least_px = max(ceil(_SMALLER * largest_px), min(largest_px, _READABLE_PX))
    for size_px in range(largest_px, least_px - 1, -1):
        if width_of(words, size_px) <= place.width():
            return size_px
    return size_that_fits(words, place.width(), place.height(), least_px, False)


def _lines(words: str, place: QRectF, font: QFont) -> int:
    """Return how many lines words take in a place; one is always kept for them."""
    return lines_of(words, place.width(), font.pixelSize()) if words else 1


def _corner(block: QRectF, *, bottom: bool) -> QRectF:
    """Return the right part of a figure's place at its bottom or its top."""
    corner = block.adjusted(block.width() / 2, 0, 0, 0)
    corner.setHeight(block.height() / 4)
    if bottom:
        corner.moveBottom(block.bottom())
    return corner
