"""The ground of an instrument: a rounded panel, painted once for a size and kept."""

from __future__ import annotations

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPixmap, QPixmapCache
from PySide6.QtWidgets import QWidget

from app.dashboard.theme import Sizes, Theme

_EDGE_PX = 1.5
_ROUND_PX = 10


def paint_panel(painter: QPainter, widget: QWidget, theme: Theme, sizes: Sizes) -> None:
    """Paint the ground of a whole widget, and leave the painter smooth."""
    ratio, size = widget.devicePixelRatioF(), widget.size()
    edge, corner = max(1.0, sizes.px(_EDGE_PX)), sizes.px(_ROUND_PX)
    look = (size.width(), size.height(), ratio, edge, corner, theme.bench, theme.face, theme.line)
    key = "panel " + " ".join(map(str, look))
    ground = QPixmap()
    if not QPixmapCache.find(key, ground):
        ground = QPixmap(size * ratio)
        ground.setDevicePixelRatio(ratio)
        ground.fill(QColor(theme.bench))
        with QPainter(ground) as made:
            made.setRenderHint(QPainter.RenderHint.Antialiasing)
            made.setPen(QPen(QColor(theme.line), edge))
            made.setBrush(QColor(theme.face))
            box = QRectF(0, 0, size.width(), size.height())
            made.drawRoundedRect(box.adjusted(1, 1, -1, -1), corner, corner)
        QPixmapCache.insert(key, ground)
    painter.drawPixmap(0, 0, ground)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setBrush(Qt.BrushStyle.NoBrush)
