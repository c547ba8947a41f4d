"""The figures beside the dial: ratio, difference and offset, each with its uncertainty."""

from __future__ import annotations

from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from app.dashboard.lettering import RIGHT, letter, size_that_fits
from app.dashboard.style import FIGURE_CAP, Sizes, Theme, font_of_cap
from app.dashboard.text import Face, FigureText
from app.dashboard.widgets import Instrument, named

_RATIO_CAP = 104.0
_SMALL_CAP = FIGURE_CAP + 5
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
        return QSize(round(self._sizes.px(600)), round(self._sizes.px(560)))

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

    def _paint(self, painter: QPainter) -> None:
        """Paint the three figures, the ratio in the largest box, with a line between each two."""
        face, box = self._face, QRectF(self.rect())
        for name, figure, cap, part in (
            (self.tr("ratio"), face.ratio, _RATIO_CAP, _RATIO_PART),
            (self.tr("difference"), face.difference, _SMALL_CAP, (1 - _RATIO_PART) / 2),
            (self.tr("offset"), face.offset, _SMALL_CAP, (1 - _RATIO_PART) / 2),
        ):
            box.setHeight(part * self.height())
            if box.top():
                painter.setPen(QPen(QColor(self._theme.line), max(1.0, self._sizes.px(1.5))))
                painter.drawLine(box.topLeft(), box.topRight())
            self._block(painter, box, name, figure, self._sizes.px(cap))
            box.moveTop(box.bottom())

    def _block(
        self, painter: QPainter, box: QRectF, name: str, figure: FigureText, cap: float
    ) -> None:
        px, align = self._sizes.px, Qt.AlignmentFlag
        inner = box.adjusted(px(20), px(12), -px(20), -px(10))
        painter.setPen(QColor(self._theme.faint))
        painter.setFont(font_of_cap(px(15)))
        painter.drawText(inner, align.AlignLeft | align.AlignTop, name)
        room = QFontMetricsF(painter.font()).horizontalAdvance(f"{name}  ")
        painter.setPen(QColor(self._theme.ink))
        painter.setFont(font_of_cap(cap, bold=True))
        letter(painter, inner, int(RIGHT), figure.text)
        # As large as the uncertainty, for it may matter more.
        small = font_of_cap(px(17))
        beside = inner.adjusted(room, 0, 0, 0)
        small.setPixelSize(
            min(
                size_that_fits(words, box.width(), box.height(), small.pixelSize(), False)
                for words, box in ((figure.u_text, inner), (figure.proviso, beside))
            )
        )
        painter.setFont(small)
        painter.drawText(inner, align.AlignRight | align.AlignBottom, figure.u_text)
        if figure.proviso:
            painter.setPen(QColor(self._theme.caution))
            painter.drawText(beside, align.AlignRight | align.AlignTop, figure.proviso)
