"""What the trace and the strip have in common: a still plot in the window's colours."""

from __future__ import annotations

from typing import Any

import pyqtgraph as pg
from PySide6.QtCore import QRect, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QPainter, QPen
from PySide6.QtWidgets import QGraphicsItem, QGraphicsView, QWidget

from app.dashboard.lettering import paint_virtual
from app.dashboard.theme import LIGHT, Sizes, Theme


class StillPlot(pg.PlotWidget):
    """A plot that nobody can drag about; *virtual drive* stands across it when it is."""

    def __init__(self, axes: dict[str, pg.AxisItem], parent: QWidget | None = None) -> None:
        super().__init__(parent, axisItems=axes)
        self._theme: Theme = LIGHT
        self._sizes = Sizes(1.0)
        self._virtual = False
        item = self.plot_item
        item.setMenuEnabled(False)
        item.hideButtons()
        item.setMouseEnabled(x=False, y=False)
        item.disableAutoRange()
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setAntialiasing(False)
        self.setCacheMode(QGraphicsView.CacheModeFlag.CacheBackground)

    @property
    def plot_item(self) -> Any:
        """The plot itself; pyqtgraph lends it its view box's methods, which types do not tell."""
        return self.getPlotItem()

    @property
    def sizes(self) -> Sizes:
        """The window's sizes."""
        return self._sizes

    def dress(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme, self._sizes = theme, sizes
        self.setBackground(theme.face)
        self.resetCachedContent()
        font = QFont()
        font.setPixelSize(sizes.text_px)
        # Room for the halves of the outermost ticks' words, which the axes then let stand.
        self.plot_item.layout.setContentsMargins(
            sizes.text_px // 2, sizes.text_px // 2, 2 * sizes.text_px, 0
        )
        for side in ("left", "bottom"):
            axis = self.plot_item.getAxis(side)
            axis.setTextPen(theme.ink)
            axis.setPen(QPen(QColor(theme.line), 1))
            # Ticks and their words change far less often than what is plotted.
            axis.setCacheMode(QGraphicsItem.CacheMode.DeviceCoordinateCache)
            axis.setStyle(tickFont=font, hideOverlappingLabels=2 * sizes.text_px)

    def pen(self, colour: str, width: float, alpha: float = 1.0) -> QPen:
        """Return a pen whose width is in pixels of a full-HD window."""
        ink = QColor(colour)
        ink.setAlphaF(alpha)
        pen = QPen(ink, max(1.0, self._sizes.px(width)))
        pen.setCosmetic(True)
        return pen

    def set_virtual(self, virtual: bool) -> None:
        """Say whether the samples come from the virtual drive."""
        if virtual != self._virtual:
            self._virtual = virtual
            self.resetCachedContent()
            self.viewport().update()

    def drawBackground(self, painter: QPainter, rect: QRectF | QRect) -> None:  # noqa: N802
        """Paint the ground, and on it what the samples are."""
        super().drawBackground(painter, rect)
        if self._virtual:
            box = self.plot_item.getViewBox().sceneBoundingRect()
            paint_virtual(painter, box, self._theme, self._sizes)
