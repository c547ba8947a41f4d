"""The job book as the window reads it: beside the window, which never waits for a disk.

Threads: *shelf* opens the book, does one thing with it and ends; it is started anew for each. Its
result is taken on the window's timer, and only that of the newest question.

A drive's course over its jobs: each with its error bar, and the line fitted through them.

The jobs of one drive: how its numbers go with the months, and which job's report is wanted.

The page of the drives: those in the job book, their history, and where a job begins.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QComboBox,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QListWidgetItem,
    QVBoxLayout,
    QWidget,
)

from app.book.codec import MOST_TEXT
from app.book.drift import Drift, drifts_of
from app.book.model import BookError, Drive, DriveSummary, JobSummary, ResumableJob
from app.book.store import Book, shown
from app.dashboard.style import LIGHT, Sizes, Theme
from app.dashboard.text import translate
from app.dashboard.widgets import Field, NamedList, StillPlot, TouchButton
from app.job.model import Value
from app.report.blocks import within
from app.stamp import now

Question = Callable[[Book], Any]


class BookWorker:
    """Asks a book, one kind of question at a time.

    Parameters
    ----------
    path : Path or None
        The book's file; the user's own when None.
    """

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._asked: dict[str, tuple[Future[Any], Callable[[Any], None]]] = {}

    @property
    def busy(self) -> bool:
        """Whether an answer is still to come."""
        return bool(self._asked)

    def ask(self, kind: str, question: Question, answered: Callable[[Any], None]) -> None:
        """Ask; a question of the same kind that is still open is forgotten.

        Parameters
        ----------
        kind : str
            Only the newest of a kind is answered.
        question : callable
            Gets the open book, in another thread.
        answered : callable
            Gets the answer, in the window's thread, from :meth:`follow`.
        """
        future: Future[Any] = Future()
        self._asked[kind] = (future, answered)

        def look() -> None:
            try:
                with Book(self._path) as book:
                    future.set_result(question(book))
            except Exception as fault:
                future.set_exception(fault)

        threading.Thread(target=look, name="shelf", daemon=True).start()

    def refresh(self) -> str | None:
        """Take over what has been answered; returns a sentence when something failed.

        An empty one says that all went well, None that nothing has been answered.
        """
        said = None
        for kind, (future, answered) in list(self._asked.items()):
            if not future.done():
                continue
            del self._asked[kind]
            fault = future.exception()
            if fault is None:
                said = said or ""
                answered(future.result())
            elif isinstance(fault, BookError):
                said = str(fault)
            else:
                raise fault
        return said


_ROOM = 0.12
_DAY_S = 86_400.0


def course_words(course: Drift) -> str:
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
        self._course: Drift | None = None
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

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme = theme
        self._plot.apply_theme(theme, sizes)
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

    def show_course(self, course: Drift | None) -> None:
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


WHICH = Qt.ItemDataRole.UserRole
"""Where a row of a list holds what it stands for."""


class PastJobs(QWidget):
    """A chart of one of the three numbers, and the jobs, newest first."""

    activated = Signal()
    """A job was asked for: Enter, or a double press."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._courses: tuple[Drift, ...] = ()
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

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self.chart.apply_theme(theme, sizes)

    def forget(self) -> None:
        """Hold no job any more: those of the drive before are not to be taken for this one's."""
        self.list.clear()
        self._courses = ()
        self.chart.show_course(None)

    def show_jobs(self, past: tuple[JobSummary, ...]) -> None:
        """Show the jobs of a drive, oldest first as the book has them."""
        self.list.clear()
        for job in reversed(past):
            item = QListWidgetItem(_job_line(job), self.list)
            item.setData(WHICH, job.number)
        # The virtual drive's jobs and those of a real one are not of one course.
        alike = [each for each in past if each.virtual == past[-1].virtual]
        self._courses = drifts_of(alike) if alike else ()
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


def _job_line(job: JobSummary) -> str:
    words = [f"{job.number}", job.opened_at[:16].replace("T", " ")]
    offsets = [figure_of(each.offset_um) for each in (job.as_found, job.as_left)]
    if any(offsets):
        words.append(" → ".join(each or "–" for each in offsets))
    if not job.closed_at:
        words.append(translate("dashboard", "open"))
    if job.virtual:
        words.append(translate("dashboard", "virtual drive"))
    return "    ".join(words)


class DrivesPage(QWidget):
    """A list of drives with a search, a form for a new one, and the history of the chosen one.

    Parameters
    ----------
    book : Path or None
        The job book's file; the user's own when None.
    profiles : sequence of str
        Names of the drive classes.
    """

    work_on = Signal(str, str)
    """A drive's identity and class: a job is to begin on it."""
    take_up = Signal(ResumableJob)
    """An open job is to be gone on with."""
    show_report = Signal(str, int)
    """A drive's identity, and the number of the job whose report is wanted."""
    left = Signal()
    """Back to the needle."""

    def __init__(
        self, book: Path | None, profiles: tuple[str, ...], parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self.setObjectName("page")
        self._worker = BookWorker(book)
        self._fault = ""
        self._title = QLabel(self.tr("Drives in the job book"), self)
        self._title.setProperty("title", True)
        self._status = QLabel(self)
        self._status.setProperty("quiet", True)
        self._status.setWordWrap(True)
        self._status.setTextFormat(Qt.TextFormat.PlainText)
        self._search = self._field(self.tr("Search"), self.tr("Part of a name, class or note"))
        self._search.textChanged.connect(self._look)
        self._search.returnPressed.connect(lambda: self._list.setFocus())
        self._list = NamedList(
            self.tr("Drives"),
            self.tr("Arrows choose, Enter begins a job or goes on with an open one"),
            self,
        )
        self._list.currentItemChanged.connect(self._choose)
        self._list.asked.connect(self.go_on)
        self._identity = self._field(self.tr("New drive"), self.tr("Your own name or number"))
        self._identity.returnPressed.connect(self.add)
        self._profile = QComboBox(self)
        self._profile.addItems(profiles)
        self._profile.setAccessibleName(self.tr("Class of the new drive"))
        self._profile.setAccessibleDescription(self.tr("Its drive class, with the limits"))
        self._note = self._field(self.tr("Note"), self.tr("What else is to be known of it"))
        self._note.returnPressed.connect(self.add)
        self.past = PastJobs(self)
        self.past.activated.connect(self.report)
        self._on, self._anew, *self._others = self._buttons()
        self._on.set_next(True)
        self._build()

    @property
    def status(self) -> str:
        """What is said below the list."""
        return self._status.text()

    @property
    def identities(self) -> list[str]:
        """The drives in the list."""
        items = (self._list.item(row) for row in range(self._list.count()))
        return [item.data(WHICH).drive.identity for item in items]

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self.past.apply_theme(theme, sizes)

    def activate(self) -> None:
        """Read the book anew."""
        self._list.setFocus()
        self._look()

    def refresh(self) -> None:
        """Take over what the book has answered."""
        said = self._worker.refresh()
        if said:
            self._fault = said
            self._status.setText(said)

    def say(self, words: str) -> None:
        """Remark on something, below the list."""
        self._status.setText(words)

    def go_on(self) -> None:
        """Go on with the chosen drive's last job where that is open, else begin one."""
        chosen = self._chosen()
        number = None if chosen is None else chosen.open_job
        if number is None:
            self.begin()
        else:
            self._worker.ask("left", lambda book: book.left(number), self.take_up.emit)

    def begin(self) -> None:
        """Begin a job on the chosen drive."""
        chosen = self._chosen()
        if chosen is None:
            self._status.setText(self.tr("No drive is chosen; add one below, or choose one."))
            return
        self.work_on.emit(chosen.drive.identity, chosen.drive.profile)

    def add(self) -> None:
        """Add the drive in the form to the book."""
        self._fault = ""
        drive = Drive(
            self._identity.text().strip(), self._profile.currentText(), self._note.text(), now()
        )

        def keep(book: Book) -> Drive:
            book.add_drive(drive)
            return drive

        self._worker.ask("add", keep, self._added)

    def next_chart(self) -> None:
        """Show the next of the drive's numbers in the chart."""
        if not self.past.next_number():
            self._status.setText(self.tr("There is no job yet, so there is no chart."))

    def report(self) -> None:
        """Show the report of the chosen job, the newest where none is chosen."""
        chosen = self._chosen()
        if chosen is None or chosen.last is None:
            self._status.setText(self.tr("This drive has no job yet, so there is no report."))
            return
        number = self.past.chosen
        self.show_report.emit(
            chosen.drive.identity, chosen.last.number if number is None else number
        )

    def _look(self) -> None:
        words, self._fault = self._search.text(), ""
        self._worker.ask("drives", lambda book: book.drives(words), self._fill)

    def _fill(self, found: tuple[DriveSummary, ...]) -> None:
        before = self._chosen()
        self._list.clear()
        for shelved in found:
            item = QListWidgetItem(_drive_line(shelved), self._list)
            item.setData(WHICH, shelved)
            if before is not None and shelved.drive.identity == before.drive.identity:
                self._list.setCurrentItem(item)
        if self._list.currentRow() < 0 and found:
            self._list.setCurrentRow(0)
        if not found:
            self._choose(None)
            self._say_empty()
        else:
            many = self.tr("{0} drives").format(len(found))
            # Answers come in any order: what the book has refused is not to be told over.
            self._status.setText(self._fault or (many if len(found) > 1 else self.tr("One drive")))

    def _say_empty(self) -> None:
        """Say that there is none, and lead to where the first is typed."""
        if self._search.text():
            self._status.setText(self.tr("No drive in the book has that in it."))
            return
        self._status.setText(self.tr("No drive in the book yet: add the first below."))
        if self._list.hasFocus():
            self._identity.setFocus()

    def _added(self, drive: Drive) -> None:
        self._identity.clear()
        self._note.clear()
        self._search.setText("")

        def select(found: tuple[DriveSummary, ...]) -> None:
            self._fill(found)
            if drive.identity in self.identities:
                self._list.setCurrentRow(self.identities.index(drive.identity))
            # Enter begins its job now, as the button says.
            self._list.setFocus()

        self._worker.ask("drives", lambda book: book.drives(), select)

    def _choose(self, item: QListWidgetItem | None) -> None:
        chosen = None if item is None else item.data(WHICH)
        self._offer(chosen)
        if chosen is None:
            self.past.show_jobs(())
            return
        self.past.forget()
        identity = chosen.drive.identity
        self._worker.ask("history", lambda book: book.history(identity), self.past.show_jobs)

    def _offer(self, chosen: DriveSummary | None) -> None:
        """Offer to go on with an open job before a new one."""
        number = None if chosen is None else chosen.open_job
        if number is None:
            self._on.say(self.tr("Begin a job"))
        else:
            self._on.say(self.tr("Go on with job {0}").format(number))
        self._anew.setVisible(number is not None)

    def _chosen(self) -> DriveSummary | None:
        item = self._list.currentItem()
        return None if item is None else item.data(WHICH)

    def _field(self, name: str, description: str) -> Field:
        field = Field(self)
        field.setAccessibleName(name)
        field.setAccessibleDescription(description)
        field.setPlaceholderText(description)
        field.setMaxLength(MOST_TEXT)
        return field

    def _build(self) -> None:
        form = QGridLayout()
        for row, (words, field) in enumerate(
            (
                (self.tr("New drive"), self._identity),
                (self.tr("Class"), self._profile),
                (self.tr("Note"), self._note),
            )
        ):
            label = QLabel(words, self)
            label.setBuddy(field)
            form.addWidget(label, row, 0)
            form.addWidget(field, row, 1)
        add = TouchButton(self.tr("Add"), "", self.tr("Add the new drive to the book"), self.add)
        form.addWidget(add, 0, 2)
        left, right = QVBoxLayout(), QVBoxLayout()
        left.addWidget(self._search)
        left.addWidget(self._list, 1)
        left.addWidget(self._status)
        left.addLayout(form)
        right.addWidget(self.past)
        halves = QHBoxLayout()
        halves.addLayout(left, 1)
        halves.addLayout(right, 1)
        buttons = QHBoxLayout()
        for button in (self._on, self._anew, *self._others):
            buttons.addWidget(button)
        buttons.addStretch(1)
        layout = QVBoxLayout(self)
        layout.addWidget(self._title)
        layout.addLayout(halves, 1)
        layout.addLayout(buttons)

    def _buttons(self) -> list[TouchButton]:
        entries: list[tuple[str, str, str, Callable[[], object]]] = [
            (
                self.tr("Begin a job"),
                "⏎",
                self.tr("Begin a job on the chosen drive, or go on with its open one"),
                self.go_on,
            ),
            (
                self.tr("New job"),
                "",
                self.tr("Begin a new job; the open one stays in the book as it is"),
                self.begin,
            ),
            (
                self.tr("Next chart"),
                "",
                self.tr("Show offset, hysteresis or speed in the chart"),
                self.next_chart,
            ),
            (self.tr("Report"), "", self.tr("Show the report of the chosen job"), self.report),
            (self.tr("Back"), "Esc", self.tr("Go back to the needle"), self.left.emit),
        ]
        return [TouchButton(*entry, self) for entry in entries]


def _drive_line(shelved: DriveSummary) -> str:
    last = shelved.last
    # Names written from right to left leave the words beside them in their places.
    drive = shelved.drive
    words = [within(shown(each)) for each in (drive.identity, drive.profile, drive.note)]
    if last is not None:
        words.append(last.opened_at[:10])
        words.append(figure_of(last.as_left.offset_um or last.as_found.offset_um))
        if shelved.open_job is not None:
            words.append(translate("dashboard", "open"))
    return "    ".join(each for each in words if each)
