"""The bar of what is kept: the envelope's height over ten minutes, and which moment is shown."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QLineF, QPointF, QRectF, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QMouseEvent,
    QPainter,
    QPen,
    QPixmap,
    QPolygonF,
    QResizeEvent,
    QWheelEvent,
)
from PySide6.QtWidgets import QWidget

from app.dashboard.style import Sizes, Theme, font_of_cap
from app.dashboard.widgets import Instrument, named

_TALL_PX = 40
_NOTCH = 120
"""What a wheel tells for one step, in eighths of a degree."""
_MINUTE_S = 60.0


def notches(event: QWheelEvent) -> float:
    """Return how far a wheel was turned, in steps; away from the hand is positive."""
    turned = event.angleDelta()
    return (turned.y() or turned.x()) / _NOTCH


class PastBar(Instrument):
    """Shows all that is kept of the past, the newest at the right, and where one looks.

    `kept_s` is how long the whole bar is.
    """

    asked = Signal(float)
    """Show the moment so many seconds before the newest sample."""
    stepped = Signal(int)
    """Go on by so many turns, back where negative."""

    def __init__(self, kept_s: float, parent: QWidget | None = None) -> None:
        super().__init__((120, _TALL_PX), parent)
        self._kept_s = kept_s
        self._heights_v: NDArray[np.float64] = np.zeros(0)
        self._sampled_s = self._back_s = 0.0
        # What changes less often than the moment that is shown; None where it is out of date.
        self._ground: QPixmap | None = None
        named(self, self.tr("The last ten minutes"))
        self.setToolTip(self.tr("Height of the envelope; press, drag or turn the wheel to go back"))
        self.setFixedHeight(_TALL_PX)

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        super().apply_theme(theme, sizes)
        self._ground = None
        self.setFixedHeight(max(_TALL_PX, sizes.touch_px))

    def show_past(self, heights_v: NDArray[np.float64], sampled_s: float) -> None:
        """Show heights over the whole bar, and for how long there are samples."""
        self._heights_v, self._sampled_s = heights_v, sampled_s
        self._ground = None
        self.update()

    def show_back(self, back_s: float) -> None:
        """Mark the moment that is shown."""
        if back_s != self._back_s:
            self._back_s = back_s
            self.update()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Draw all anew."""
        super().resizeEvent(event)
        self._ground = None

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Ask for the moment that was pressed."""
        self._ask(event)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Ask for the moment that is dragged to."""
        self._ask(event)

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802
        """Go from turn to turn."""
        self.stepped.emit(-round(notches(event)) or (-1 if notches(event) > 0 else 1))
        event.accept()

    def _ask(self, event: QMouseEvent) -> None:
        part = 1.0 - event.position().x() / max(1, self.width())
        self.asked.emit(self._kept_s * min(max(part, 0.0), 1.0))

    def _paint(self, painter: QPainter) -> None:
        box = QRectF(self.rect()).adjusted(2, 4, -2, -4)
        ratio = self.devicePixelRatioF()
        if self._ground is None or self._ground.devicePixelRatio() != ratio:
            self._ground = QPixmap(self.size() * ratio)
            self._ground.setDevicePixelRatio(ratio)
            self._ground.fill(Qt.GlobalColor.transparent)
            with QPainter(self._ground) as on_ground:
                self._paint_ground(on_ground, box)
        painter.drawPixmap(0, 0, self._ground)
        self._paint_mark(painter, box)

    def _paint_ground(self, painter: QPainter, box: QRectF) -> None:
        painter.setPen(QPen(QColor(self._theme.line), 1))
        for minute in range(1, round(self._kept_s / _MINUTE_S)):
            x = self._at(box, minute * _MINUTE_S)
            painter.drawLine(QLineF(x, box.bottom() - 5, x, box.bottom()))
        painter.setPen(QColor(self._theme.faint))
        painter.setFont(font_of_cap(self._sizes.print_px(13)))
        oldest = self.tr("−{0:g} min").format(self._kept_s / _MINUTE_S)
        painter.drawText(box.adjusted(6, 0, 0, -6), Qt.AlignmentFlag.AlignVCenter, oldest)
        self._paint_heights(painter, box)
        # As far as there are samples, and not the envelope alone.
        painter.fillRect(
            QRectF(
                QPointF(self._at(box, self._sampled_s), box.bottom() - 3),
                QPointF(box.right(), box.bottom()),
            ),
            QColor(self._theme.second),
        )

    def _paint_heights(self, painter: QPainter, box: QRectF) -> None:
        heights_v = self._heights_v
        known = np.flatnonzero(np.isfinite(heights_v))
        if not known.size:
            return
        top_v = max(float(heights_v[known].max()), 1e-9)
        x = box.left() + (known + 0.5) / heights_v.size * box.width()
        y = box.bottom() - 4 - heights_v[known] / top_v * (box.height() - 6)
        painter.setPen(QPen(QColor(self._theme.needle), max(1.0, box.width() / heights_v.size)))
        bottom = box.bottom() - 4
        painter.drawLines(
            [QLineF(a, bottom, a, b) for a, b in zip(x.tolist(), y.tolist(), strict=True)]
        )

    def _paint_mark(self, painter: QPainter, box: QRectF) -> None:
        """Mark what is shown by a line between two arrowheads, which no height looks like."""
        x, ink = self._at(box, self._back_s), QColor(self._theme.ink)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(ink, 2))
        painter.drawLine(QLineF(x, box.top(), x, box.bottom()))
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(ink)
        for y, toward in ((box.top() - 2, 8.0), (box.bottom() + 2, -8.0)):
            painter.drawPolygon(
                QPolygonF([QPointF(x - 6, y), QPointF(x + 6, y), QPointF(x, y + toward)])
            )

    def _at(self, box: QRectF, back_s: float) -> float:
        return box.right() - min(back_s / self._kept_s, 1.0) * box.width()
