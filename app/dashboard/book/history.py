"""A drive's course over its jobs: each with its error bar, and the line fitted through them."""

from __future__ import annotations

import numpy as np
import pyqtgraph as pg
from PySide6.QtWidgets import QLabel, QVBoxLayout, QWidget

from app.dashboard.plot import StillPlot
from app.dashboard.theme import LIGHT, Sizes, Theme
from app.dashboard.words import translate
from app.records.courses import Course

_ROOM = 0.12
_DAY_S = 86_400.0


def course_words(course: Course) -> str:
    """Return in one or two sentences how a number goes with time."""
    drift = course.drift
    if not course.values:
        return translate("dashboard", "No job has measured it yet.")
    if drift.rate_per_year is None:
        return translate("dashboard", "Too few jobs to tell a drift.")
    rate = drift.rate_per_year
    figures = f"{rate.value:+z.2f} ± {2.0 * rate.u:.2f} {course.unit}"
    words = translate("dashboard", "Drift {0} a year").format(figures)
    if not drift.drifts:
        words += translate("dashboard", ", which cannot be told from none")
    if drift.last_change is not None:
        change = f"{drift.last_change.value:+z.2f} ± {2.0 * drift.last_change.u:.2f} {course.unit}"
        larger = (
            translate("dashboard", "Since last time {0}: more than its uncertainty.")
            if drift.changed
            else translate("dashboard", "Since last time {0}: within its uncertainty.")
        )
        words += ". " + larger.format(change)
    return words.replace("-", "−")


class HistoryChart(QWidget):
    """One number of a drive over time."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme: Theme = LIGHT
        self._course: Course | None = None
        self._words = QLabel(self)
        self._words.setWordWrap(True)
        self._plot = StillPlot({"bottom": pg.DateAxisItem()}, self)
        self._bars = pg.ErrorBarItem(beam=0.0)
        self._points = pg.ScatterPlotItem(symbol="o")
        self._line = pg.PlotCurveItem(antialias=True)
        for each in (self._line, self._bars, self._points):
            self._plot.addItem(each)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self._words)
        layout.addWidget(self._plot, 1)
        layout.addStretch(0)
        self._plot.hide()
        self.setAccessibleName(self.tr("History of the drive"))

    @property
    def words(self) -> str:
        """What is said above the chart."""
        return self._words.text()

    def dress(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme = theme
        self._plot.dress(theme, sizes)
        self._bars.setData(pen=self._plot.pen(theme.ink, 2))
        self._points.setPen(self._plot.pen(theme.ink, 1))
        self._points.setBrush(theme.needle)
        self._points.setSize(max(8, round(sizes.px(12))))
        self._line.setPen(self._plot.pen(theme.second, 2))
        if self._course is not None:
            self.show_course(self._course)

    def set_virtual(self, virtual: bool) -> None:
        """Say whether the jobs were done on the virtual drive."""
        self._plot.set_virtual(virtual)

    def show_course(self, course: Course | None) -> None:
        """Draw a course; None leaves the chart empty."""
        self._course = course
        drawn = course is not None and bool(course.values)
        # Without a point, an axis would have numbers that are nobody's.
        self._plot.setVisible(drawn)
        if course is None or not course.values:
            self._say("" if course is None else course_words(course))
            return
        what = translate("dashboard", "{0} ({1}), adjustments taken out.")
        self._say(f"{what.format(course.name.capitalize(), course.unit)} {course_words(course)}")
        x = np.array([at.timestamp() for at in course.at])
        y = np.array([value.value for value in course.values])
        spread = np.array([2.0 * (value.u or 0.0) for value in course.values])
        self._points.setData(x, y)
        self._bars.setData(x=x, y=y, height=2.0 * spread)
        days, heights = course.drift.line_days, course.drift.line_values
        known = course.drift.rate_per_year is not None
        self._line.setData(
            x[0] + _DAY_S * np.array(days) if known else [], np.array(heights) if known else []
        )
        self._fit(x, y - spread, y + spread)

    def _say(self, words: str) -> None:
        self._words.setText(words)
        self.setAccessibleDescription(words)

    def _fit(self, x: object, low: object, high: object) -> None:
        times, bottom, top = np.asarray(x), np.asarray(low), np.asarray(high)
        # A single job stands among days, several of one day among its hours.
        wide = max(float(np.ptp(times)), _DAY_S if times.size > 1 else 100.0 * _DAY_S)
        tall = max(float(top.max() - bottom.min()), 1e-3)
        item = self._plot.plot_item
        item.setXRange(
            float(times.min()) - _ROOM * wide, float(times.max()) + _ROOM * wide, padding=0.0
        )
        item.setYRange(
            float(bottom.min()) - _ROOM * tall, float(top.max()) + _ROOM * tall, padding=0.0
        )
