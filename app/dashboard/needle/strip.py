"""The last minute of balance, on the dial's own scale."""

from __future__ import annotations

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import Qt
from PySide6.QtGui import QBrush, QColor
from PySide6.QtWidgets import QGraphicsRectItem, QLabel, QVBoxLayout, QWidget

from app.dashboard.needle.dial import Limits, balance_of, deflection, deflections
from app.dashboard.plot import StillPlot
from app.dashboard.theme import LIGHT, Sizes, Theme

_SPAN_S = 60.0


class StripView(QWidget):
    """A minute of balance, outward up, between the bands of the two limits."""

    def __init__(self, limits: Limits, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme: Theme = LIGHT
        self._words_side = self.tr("Last minute (s): difference in %, outward up")
        self._words_magnitude = self.tr("Last minute (s): difference in %, side not known")
        self._title = QLabel(self._words_side, self)
        self._plot = StillPlot({}, self)
        item = self._plot.plot_item
        item.setXRange(-_SPAN_S, 0.0, padding=0.01)
        item.setYRange(-1.05, 1.05, padding=0.0)
        moments = [(s, f"−{-s}") for s in (-60, -45, -30, -15)]
        item.getAxis("bottom").setTicks([[*moments, (0, self.tr("now"))]])
        self._at_set = self._at_check = 0.0
        self._bands = [self._band() for _ in range(3)]
        self.judge_by(limits)
        self._zero = pg.InfiniteLine(0.0, angle=0)
        self._curve = pg.PlotCurveItem(antialias=False)
        for each in (self._zero, self._curve):
            self._plot.addItem(each)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self._title)
        layout.addWidget(self._plot, 1)
        self.setAccessibleName(self.tr("Balance of the last minute"))
        self.setAccessibleDescription(self._title.text())

    def dress(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._plot.dress(theme, sizes)
        self._zero.setPen(self._plot.pen(theme.ink, 1))
        self._curve.setPen(self._plot.pen(theme.needle, 2))
        hatched = QBrush(QColor(theme.caution_band), Qt.BrushStyle.BDiagPattern)
        for band, brush in zip(
            self._bands, (hatched, QBrush(QColor(theme.good_band)), hatched), strict=True
        ):
            band.setBrush(brush)

    def judge_by(self, limits: Limits) -> None:
        """Take on the limits of another class."""
        self._at_set = deflection(balance_of(limits.set_limit))
        self._at_check = deflection(balance_of(limits.check_limit))
        self._plot.plot_item.getAxis("left").setTicks([self._ticks(limits)])
        for band, (low, high) in zip(self._bands, self._edges(), strict=True):
            band.setRect(-_SPAN_S, low, _SPAN_S, high - low)

    def set_virtual(self, virtual: bool) -> None:
        """Say whether the samples come from the virtual drive."""
        self._plot.set_virtual(virtual)

    def repaint_soon(self) -> None:
        """Ask for the plot to be painted anew."""
        self._plot.viewport().update()

    def show_strip(
        self,
        times_s: NDArray[np.float64] | None,
        balances: NDArray[np.float64] | None,
        now_s: float,
        mirrored: bool,
    ) -> None:
        """Draw the balances; NaN leaves a gap.

        Parameters
        ----------
        times_s, balances : numpy.ndarray or None
            float64, shape (n,): monotonic times and the balances at them.
        now_s : float
            Monotonic time of the right edge.
        mirrored : bool
            The side is not known: the balances are magnitudes.
        """
        words = self._words_magnitude if mirrored else self._words_side
        if words != self._title.text():
            self._title.setText(words)
            self.setAccessibleDescription(words)
        if times_s is None or balances is None or not len(times_s):
            self._curve.setData([], [])
            return
        # What is not known is left out of the line, and never reaches a function of the scale.
        known = np.isfinite(balances)
        joined = known & np.append(known[1:], False)
        heights = deflections(np.where(known, balances, 0.0))
        self._curve.setData(times_s - now_s, heights, connect=joined)

    def _edges(self) -> tuple[tuple[float, float], ...]:
        return (
            (-self._at_check, -self._at_set),
            (-self._at_set, self._at_set),
            (self._at_set, self._at_check),
        )

    def _band(self) -> QGraphicsRectItem:
        band = QGraphicsRectItem()
        band.setZValue(-10)
        band.setPen(Qt.PenStyle.NoPen)
        self._plot.addItem(band)
        return band

    def _ticks(self, limits: Limits) -> list[tuple[float, str]]:
        named = ((limits.set_limit, self._at_set), (limits.check_limit, self._at_check), (1.0, 1.0))
        ticks = [(0.0, "0")]
        for difference, at in named:
            ticks += [(at, f"{difference * 100:g}"), (-at, f"{difference * 100:g}")]
        return ticks
