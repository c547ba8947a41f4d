"""The figures beside the dial: ratio, difference and offset, each with its uncertainty."""

from __future__ import annotations

from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from app.dashboard.style import FIGURE_CAP, Sizes, Theme, font_of_cap
from app.dashboard.text import Face, FigureText
from app.dashboard.widgets import Instrument, paint_panel

_RATIO_CAP = 104.0
_ALIGN = Qt.AlignmentFlag


class FiguresView(Instrument):
    """Ratio, difference and offset, to be read from two metres."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__((200, 200), parent)
        self._face = Face()
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Expanding)
        self.setAccessibleName(self.tr("Ratio, difference and offset"))

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
            words = [text for each in figures for text in (each.text, each.u_text)]
            self.setAccessibleDescription(
                self.tr("Ratio {0} {1}; difference {2} {3}; offset {4} {5}").format(*words)
            )
            self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Paint the three figures."""
        painter = QPainter(self)
        paint_panel(painter, self, self._theme, self._sizes)
        px = self._sizes.px
        width, height = float(self.width()), float(self.height())
        ratio = QRectF(0, 0, width, height * 0.42)
        difference = QRectF(0, height * 0.42, width, height * 0.29)
        offset = QRectF(0, height * 0.71, width, height * 0.29)
        small = px(FIGURE_CAP + 5)
        face = self._face
        self._block(painter, ratio, self.tr("ratio"), face.ratio, px(_RATIO_CAP))
        self._block(painter, difference, self.tr("difference"), face.difference, small)
        self._block(painter, offset, self.tr("offset"), face.offset, small)
        painter.setPen(QPen(QColor(self._theme.line), max(1.0, px(1.5))))
        for box in (difference, offset):
            painter.drawLine(box.topLeft(), box.topRight())
        painter.end()

    def _block(
        self, painter: QPainter, box: QRectF, name: str, figure: FigureText, cap: float
    ) -> None:
        px = self._sizes.px
        inner = box.adjusted(px(20), px(12), -px(20), -px(10))
        painter.setPen(QColor(self._theme.faint))
        painter.setFont(font_of_cap(px(15)))
        painter.drawText(inner, _ALIGN.AlignLeft | _ALIGN.AlignTop, name)
        painter.setPen(QColor(self._theme.ink))
        font = font_of_cap(cap, bold=True)
        painter.setFont(font)
        painter.drawText(inner, _ALIGN.AlignRight | _ALIGN.AlignVCenter, figure.text)
        small = font_of_cap(px(17))
        wide = QFontMetricsF(small).horizontalAdvance(figure.u_text)
        if wide > inner.width():
            small.setPixelSize(max(8, int(small.pixelSize() * inner.width() / wide)))
        painter.setFont(small)
        painter.drawText(inner, _ALIGN.AlignRight | _ALIGN.AlignBottom, figure.u_text)
