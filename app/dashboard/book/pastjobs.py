"""The jobs of one drive: how its numbers go with the months, and which job's report is wanted."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QListWidgetItem, QVBoxLayout, QWidget

from app.dashboard.book.history import HistoryChart
from app.dashboard.fields import NamedList
from app.dashboard.theme import Sizes, Theme
from app.dashboard.words import translate
from app.job.model import Value
from app.records.courses import Course, courses_of
from app.records.model import Past

WHICH = Qt.ItemDataRole.UserRole
"""Where a row of a list holds what it stands for."""


class PastJobs(QWidget):
    """A chart of one of the three numbers, and the jobs, newest first."""

    activated = Signal()
    """A job was asked for: Enter, or a double press."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._courses: tuple[Course, ...] = ()
        self._shown = 0
        self.chart = HistoryChart(self)
        self.list = NamedList(self.tr("Jobs of the drive"), self.tr("Enter shows the report"), self)
        self.list.asked.connect(self.activated)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.chart, 3)
        layout.addWidget(self.list, 2)

    @property
    def chosen(self) -> int | None:
        """Number of the job that is chosen, None where none is."""
        item = self.list.currentItem()
        return None if item is None else item.data(WHICH)

    def dress(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self.chart.dress(theme, sizes)

    def forget(self) -> None:
        """Hold no job any more: those of the drive before are not to be taken for this one's."""
        self.list.clear()
        self._courses = ()
        self.chart.show_course(None)

    def show_jobs(self, past: tuple[Past, ...]) -> None:
        """Show the jobs of a drive, oldest first as the book has them."""
        self.list.clear()
        for job in reversed(past):
            item = QListWidgetItem(_line(job), self.list)
            item.setData(WHICH, job.number)
        # The virtual drive's jobs and those of a real one are not of one course.
        alike = [each for each in past if each.virtual == past[-1].virtual]
        self._courses = courses_of(alike) if alike else ()
        self.chart.set_virtual(bool(past) and past[-1].virtual)
        self.chart.show_course(self._courses[self._shown] if self._courses else None)

    def next_number(self) -> bool:
        """Show the next of the three numbers in the chart; returns whether there is any."""
        if self._courses:
            self._shown = (self._shown + 1) % len(self._courses)
            self.chart.show_course(self._courses[self._shown])
        return bool(self._courses)


def figure_of(value: Value | None) -> str:
    """Return a number of a drive with its expanded uncertainty, empty where there is none."""
    if value is None:
        return ""
    spread = "" if value.u is None else f" ± {2.0 * value.u:.1f}"
    return f"{value.value:+z.1f}{spread} {value.unit}".replace("-", "−")


def _line(job: Past) -> str:
    words = [f"{job.number}", job.opened_at[:16].replace("T", " ")]
    offsets = [figure_of(each.offset_um) for each in (job.as_found, job.as_left)]
    if any(offsets):
        words.append(" → ".join(each or "–" for each in offsets))
    if not job.closed_at:
        words.append(translate("dashboard", "open"))
    if job.virtual:
        words.append(translate("dashboard", "virtual drive"))
    return "    ".join(words)
