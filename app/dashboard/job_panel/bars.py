"""The largest parts of a check's budget, painted as bars with their share and name."""

from __future__ import annotations

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QColor, QFont, QPainter, QPaintEvent
from PySide6.QtWidgets import QWidget

from app.dashboard.job_panel.text import Bar
from app.dashboard.style import Sizes, Theme
from app.dashboard.widgets import LEFT, Instrument, named

_WIDEST = 0.4
"""Of the whole: a bar that is all there is."""
_ROW_PX, _GAP_PX = 22.0, 8.0


class BudgetBars(Instrument):
    """Bars of a budget, the largest on top; nothing is told by a bar that its words do not tell."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__((0, 0), parent)
        self._bars: tuple[Bar, ...] = ()
        named(self, self.tr("Parts of the uncertainty"))
        self.hide()

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        super().apply_theme(theme, sizes)
        self._fit()

    def show_bars(self, bars: tuple[Bar, ...]) -> None:
        """Show the bars; without any it takes no room."""
        if bars != self._bars:
            self._bars = bars
            self.setAccessibleDescription("; ".join(each.words for each in bars))
            self.setToolTip("\n".join(each.words for each in bars))
            self._fit()
            self.update()
        self.setVisible(bool(bars))

    def _fit(self) -> None:
        self.setFixedHeight(round(self._sizes.px(_ROW_PX) * len(self._bars)))

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Paint each bar in its row, and its words beside it."""
        row, gap = self._sizes.px(_ROW_PX), self._sizes.px(_GAP_PX)
        widest = _WIDEST * self.width()
        font = QFont(self.font())
        font.setPixelSize(max(8, round(0.75 * row)))
        with QPainter(self) as painter:
            painter.setFont(font)
            for place, each in enumerate(self._bars):
                box = QRectF(0.0, place * row, widest, row).adjusted(0.5, 0.15 * row, 0.0, 0.0)
                box.setHeight(0.7 * row)
                painter.setPen(QColor(self._theme.line))
                painter.setBrush(Qt.BrushStyle.NoBrush)
                painter.drawRect(box)
                filled = QRectF(box)
                filled.setWidth(max(1.0, box.width() * each.share))
                painter.fillRect(filled, QColor(self._theme.second))
                painter.setPen(QColor(self._theme.ink))
                beside = QRectF(widest + gap, place * row, self.width() - widest - gap, row)
                painter.drawText(beside, LEFT, each.words)
