"""Plots that cannot be dragged, in the window's colours and sizes."""

from __future__ import annotations

from typing import Any

import pyqtgraph as pg
from PySide6.QtCore import QRect, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QPainter, QPen, QWheelEvent
from PySide6.QtWidgets import QGraphicsItem, QGraphicsView, QLabel, QVBoxLayout, QWidget

from app.dashboard.style import LIGHT, Sizes, Theme
from app.dashboard.widgets import FILLS, laid, paint_virtual


class StillPlot(pg.PlotWidget):
    """A plot that cannot be dragged; *virtual drive* stands across it where it shows that."""

    def __init__(self, axes: dict[str, pg.AxisItem], parent: QWidget | None = None) -> None:
        super().__init__(parent, axisItems=axes, enableMenu=False)
        self._theme, self._sizes = LIGHT, Sizes(1.0)
        self._virtual = False
        item = self.plot_item
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

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
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

    def pen(self, colour: str, width: float) -> QPen:
        """Return a pen whose width is in pixels of a full-HD window."""
        pen = QPen(QColor(colour), self.line_px(width))
        pen.setCosmetic(True)
        return pen

    def line_px(self, width: float) -> float:
        """Return how wide a line is drawn that is `width` pixels of a full-HD window wide."""
        return max(1.0, self._sizes.px(width))

    def set_virtual(self, virtual: bool) -> None:
        """Set whether the samples come from the virtual drive."""
        if virtual != self._virtual:
            self._virtual = virtual
            self.resetCachedContent()
            self.viewport().update()

    def wheelEvent(self, ev: QWheelEvent) -> None:  # noqa: N802
        """Turn the wheel on the page instead, unless it zooms here."""
        if any(self.plot_item.getViewBox().mouseEnabled()):
            super().wheelEvent(ev)
        else:
            ev.ignore()

    def drawBackground(self, painter: QPainter, rect: QRectF | QRect) -> None:  # noqa: N802
        """Paint the background, and on it that the drive is the virtual one."""
        super().drawBackground(painter, rect)
        if self._virtual:
            box = self.plot_item.getViewBox().sceneBoundingRect()
            paint_virtual(painter, box, self._theme, self._sizes)


class TitledPlot(QWidget):
    """A plot below a line of words that says what it shows."""

    def __init__(self, axes: dict[str, pg.AxisItem], parent: QWidget | None) -> None:
        super().__init__(parent)
        self._title = QLabel(self)
        # Else what it says would make the plot wider, and those beside it narrower.
        self._title.setWordWrap(True)
        self._plot = StillPlot(axes, self)
        laid(QVBoxLayout(self), self._title, (self._plot, FILLS), flush=True).setSpacing(0)

    def set_virtual(self, virtual: bool) -> None:
        """Set whether the samples come from the virtual drive."""
        self._plot.set_virtual(virtual)

    def _set_title(self, words: str) -> None:
        if words != self._title.text():
            self._title.setText(words)
            self.setAccessibleDescription(words)
