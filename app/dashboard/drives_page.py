"""The page of the drives in the job book: a search, their history, and where a job begins."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QLabel, QLineEdit, QVBoxLayout, QWidget

from app.analysis.results import Quantity
from app.book.calibrations import disks_in
from app.book.codec import MAX_TEXT
from app.book.drift import Drift, drifts_of
from app.book.model import Drive, DriveSummary, JobSummary, ResumableJob
from app.book.store import Book, shown
from app.dashboard.background import BookWorker
from app.dashboard.forms import FieldGrid, Hint
from app.dashboard.still_plot import StillPlot
from app.dashboard.style import Sizes, Theme
from app.dashboard.text import translate
from app.dashboard.widgets import (
    FILLS,
    Field,
    NamedList,
    Page,
    Picker,
    TouchButton,
    button_row,
    chosen_of,
    laid,
    named,
    on_enter,
)
from app.job.model import Value
from app.job.plan import Plan
from app.numbers import MINUS, plus_minus
from app.report.blocks import within
from app.stamp import now

_MARGIN = 0.12
"""At each end of an axis of the chart, as a part of what it shows."""
_DAY_S = 86_400.0
_LIST_PX = 150
_CHART_PART = 3


def _name_of(number: Drift) -> str:
    """Return a number's name in the window's language, as a sentence begins with it."""
    return translate("job", number.name).capitalize()


def _drift_words(number: Drift) -> str:
    """Return in one or two sentences how a number changes with time."""
    drift = number.finding
    if not number.values:
        words = translate("dashboard", "{0}: no job has measured it yet.")
        return words.format(_name_of(number))
    if drift.rate_per_year is None:
        return translate("dashboard", "Too few jobs to tell a drift.")
    if not number.is_in_order:
        return translate(
            "dashboard",
            "The jobs' times do not follow their numbers, so no drift can be told: look to the "
            "computer's clock.",
        )
    if number.rate_per_year is None:
        words = translate("dashboard", "{0} days from first to last are too few to tell a drift.")
        return words.format(number.days)

    def figures(change: Quantity) -> str:
        unit = f" {number.unit}"
        return plus_minus(change.value, change.u, unit, places=2, sign="+z", minus=MINUS)

    words = translate("dashboard", "Drift {0} a year").format(figures(drift.rate_per_year))
    if not drift.drifts:
        words += translate("dashboard", ", which cannot be told from none")
    if drift.last_change is not None:
        larger = (
            translate("dashboard", "Since last time {0}: more than its uncertainty.")
            if drift.changed
            else translate("dashboard", "Since last time {0}: within its uncertainty.")
        )
        words += ". " + larger.format(figures(drift.last_change))
    return words


class HistoryChart(QWidget):
    """One number of a drive over time."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._words = QLabel(self)
        self._words.setWordWrap(True)
        self._plot = StillPlot({"bottom": pg.DateAxisItem()}, self)
        self._bars = pg.ErrorBarItem(beam=0.0)
        self._points = pg.ScatterPlotItem(symbol="o")
        self._line = pg.PlotCurveItem(antialias=True)
        for each in (self._line, self._bars, self._points):
            self._plot.addItem(each)
        laid(QVBoxLayout(self), self._words, (self._plot, FILLS), 0, flush=True)
        self._plot.hide()
        self.setAccessibleName(self.tr("History of the drive"))

    @property
    def words(self) -> str:
        """What is said above the chart."""
        return self._words.text()

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._plot.apply_theme(theme, sizes)
        self._bars.setData(pen=self._plot.pen(theme.ink, 2))
        self._points.setPen(self._plot.pen(theme.ink, 1))
        self._points.setBrush(theme.needle)
        self._points.setSize(sizes.whole_px(12, least=8))
        self._line.setPen(self._plot.pen(theme.second, 2))

    def set_virtual(self, virtual: bool) -> None:
        """Set whether the jobs were done on the virtual drive."""
        self._plot.set_virtual(virtual)

    def show_drift(self, number: Drift | None) -> None:
        """Draw one number of a drive; None leaves the chart empty."""
        drawn = number is not None and bool(number.values)
        # Without a point, an axis would have numbers that are nobody's.
        self._plot.setVisible(drawn)
        words = "" if number is None else _drift_words(number)
        if number is not None and drawn:
            what = translate("dashboard", "{0} ({1}), adjustments taken out.")
            words = f"{what.format(_name_of(number), number.unit)} {words}"
            self._draw(number)
        self._words.setText(words)
        self.setAccessibleDescription(words)

    def _draw(self, number: Drift) -> None:
        x = np.array([at.timestamp() for at in number.at])
        y = np.array([value.value for value in number.values])
        spread = np.array([2.0 * (value.u or 0.0) for value in number.values])
        self._points.setData(x, y)
        self._bars.setData(x=x, y=y, height=2.0 * spread)
        if number.rate_per_year is None:
            self._line.setData([], [])
        else:
            days = np.array(number.finding.line_days)
            self._line.setData(x[0] + _DAY_S * days, np.array(number.finding.line_values))
        # A single job stands among days, several of one day among its hours.
        least_s = _DAY_S if x.size > 1 else 100.0 * _DAY_S
        self._plot.plot_item.setXRange(*_with_margin(x, x, least_s), padding=0.0)
        self._plot.plot_item.setYRange(*_with_margin(y - spread, y + spread, 1e-3), padding=0.0)


def _with_margin(
    low: NDArray[np.float64], high: NDArray[np.float64], least: float
) -> tuple[float, float]:
    """Return the ends of an axis that shows all from `low` to `high`; its margins grow with it."""
    bottom, top = float(low.min()), float(high.max())
    margin = _MARGIN * max(top - bottom, least)
    return bottom - margin, top + margin


class FirstJob(QWidget):
    """What stands where a drive's jobs will be, before its first one: that, and how it begins."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._heading = QLabel(self)
        self._heading.setProperty("strong", True)
        steps = (
            self.tr("1.  Open the drive's source: F2. The virtual drive will do to try it."),
            self.tr("2.  Name the drive in the form here, choose its class, and add it."),
            self.tr(
                "3.  Choose what the job is for, and begin: “Full” measures, adjusts and measures "
                "again; “Check only” moves nothing."
            ),
        )
        will_be = self.tr(
            "After its first job there will stand here: each job with the offset as found and as "
            "left, its report, and a chart of how offset, hysteresis and speed change with time."
        )
        self._words = [QLabel(each, self) for each in (*steps, will_be)]
        for label in (self._heading, *self._words):
            label.setTextFormat(Qt.TextFormat.PlainText)
            label.setWordWrap(True)
        first = self.tr("Begin")
        self.button = TouchButton(first, "", self.tr("Do what comes first"), self._do, self)
        self._does: Callable[[], object] = self.button.setFocus
        laid(QVBoxLayout(self), self._heading, *self._words, self.button, 1, flush=True)

    def offer(self, heading: str, words: str, do: Callable[[], object]) -> None:
        """Say of which drive it is told, and let the button do what comes first."""
        self._heading.setText(heading)
        self.button.say(words)
        self._does = do

    def _do(self) -> None:
        self._does()


class PastJobs(QWidget):
    """A chart of one of the three numbers, and the jobs, newest first."""

    activated = Signal()
    """A job's report was asked for: Enter, or a double press."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._numbers: tuple[Drift, ...] = ()
        self._jobs: tuple[JobSummary, ...] = ()
        self._shown = 0
        self.first = FirstJob(self)
        self.chart = HistoryChart(self)
        self.list = NamedList(self.tr("Jobs of the drive"), self.tr("Enter shows the report"), self)
        self.list.asked.connect(self.activated)
        parts = (self.first, 5), (self.chart, _CHART_PART), (self.list, 2)
        self._column = laid(QVBoxLayout(self), *parts, flush=True)
        self.first.hide()

    @property
    def chosen(self) -> int | None:
        """Number of the job that is chosen, None where none is."""
        job = chosen_of(self._jobs, self.list)
        return None if job is None else job.number

    @property
    def chosen_open(self) -> int | None:
        """Number of the job that is chosen, where it is open."""
        job = chosen_of(self._jobs, self.list)
        return None if job is None or job.closed_at else job.number

    def show_jobs(self, past: tuple[JobSummary, ...]) -> None:
        """Show the jobs of a drive, oldest first as the book has them."""
        self._jobs = past[::-1]
        self.list.show_rows(map(_job_line, self._jobs))
        self.show_first(False)
        # The virtual drive's jobs and those of a real one do not go on from each other.
        alike = [each for each in past if each.virtual == past[-1].virtual]
        self._numbers = drifts_of(alike) if alike else ()
        self.chart.set_virtual(bool(past) and past[-1].virtual)
        self._show_number()

    def show_first(self, first: bool) -> None:
        """Show how a first job begins, in place of jobs and chart."""
        self.first.setVisible(first)
        for part in (self.chart, self.list):
            part.setVisible(not first)

    def next_number(self) -> bool:
        """Show the next of the three numbers in the chart; return whether there is any."""
        if self._numbers:
            self._shown = (self._shown + 1) % len(self._numbers)
            self._show_number()
        return bool(self._numbers)

    def _show_number(self) -> None:
        number = self._numbers[self._shown] if self._numbers else None
        self.chart.show_drift(number)
        # Without a point there is no chart, and the jobs have its room.
        drawn = number is not None and bool(number.values)
        self._column.setStretchFactor(self.chart, _CHART_PART if drawn else 0)


def _offset_words(value: Value | None) -> str:
    """Return an offset with its expanded uncertainty, empty where there is none."""
    if value is None:
        return ""
    unit = f" {value.unit}"
    return plus_minus(value.value, value.u, unit, places=1, sign="+z", minus=MINUS)


def _job_line(job: JobSummary) -> str:
    words = [f"{job.number}", job.opened_at[:16].replace("T", " ")]
    offsets = [_offset_words(each.offset_um) for each in (job.as_found, job.as_left)]
    if any(offsets):
        words.append(" → ".join(each or "–" for each in offsets))
    if job.insertions:
        words.append(translate("dashboard", "alignment disk in {0}×").format(job.insertions))
    if not job.closed_at:
        words.append(translate("dashboard", "open"))
    if job.virtual:
        words.append(translate("dashboard", "virtual drive"))
    return "    ".join(words)


class DrivesPage(Page):
    """A list of drives with a search, a form for a new one, and the history of the chosen one.

    `book` is the job book's file, the user's own when None; `profiles` names the drive classes.
    """

    begin_job = Signal(str, str, str, str)
    """Begin a job on a drive: its identity, its class, the plan, and the alignment disk's name."""
    resume = Signal(ResumableJob)
    """Go on with an open job."""
    show_report = Signal(str, int)
    """Show a report: the drive's identity and the job's number."""

    def __init__(
        self, book: Path | None, profiles: tuple[str, ...], parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self._worker = BookWorker(book)
        self._drives: tuple[DriveSummary, ...] = ()
        self._fault = self._in_hand = ""
        self._title.setText(self.tr("Drives in the job book"))
        self._status.setProperty("quiet", True)
        self._search = self._field(self.tr("Search"), self.tr("Part of a name, class or note"))
        self._search.textChanged.connect(self._look)
        self._search.returnPressed.connect(lambda: self._list.setFocus())
        self._list = NamedList(
            self.tr("Drives"),
            self.tr("Arrows choose, Enter begins a job or goes on with an open one"),
            self,
        )
        self._list.currentRowChanged.connect(self._choose)
        self._list.asked.connect(self.go_on)
        self._identity = self._field(self.tr("New drive"), self.tr("Your own name or number"))
        self._identity.returnPressed.connect(self.add)
        its_class = self.tr("Its drive class, with the limits")
        self._profile = Picker(self.tr("Class of the new drive"), its_class, self)
        self._profile.addItems(profiles)
        self._note = self._field(self.tr("Note"), self.tr("What else is to be known of it"))
        self._note.returnPressed.connect(self.add)
        self.past = PastJobs(self)
        self.past.activated.connect(self.report)
        self.past.list.currentRowChanged.connect(lambda _: self._offer(self._chosen()))
        on = self.tr("Begin a job on the chosen drive, or go on with its open one")
        anew = self.tr("Begin a new job; the open one stays in the book as it is")
        self._on = TouchButton(self.tr("Begin a job"), "⏎", on, self.go_on, self, is_next=True)
        self._plan = Picker(self.tr("Plan"), self.tr("What a new job is for"), self)
        for plan, words in (
            (Plan.FULL, self.tr("Full")),
            (Plan.CHECK, self.tr("Check only")),
            (Plan.ADJUST, self.tr("Adjust only")),
            (Plan.CENTRE, self.tr("Ordinary track")),
            (Plan.SCALE, self.tr("Calibrate scale")),
            (Plan.ZERO, self.tr("Calibrate zero")),
            (Plan.WORKING_DISK, self.tr("Calibrate working disk")),
        ):
            self._plan.addItem(words, plan)
        disk = (
            self.tr("Alignment disk"),
            self.tr("Its name, as it was calibrated under; left empty, no calibration is used"),
        )
        self._disk = Picker(*disk, self)
        entry = named(QLineEdit(self._disk), *disk)
        entry.setMaxLength(MAX_TEXT)
        self._disk.setLineEdit(entry)
        self._disk_hint = Hint(entry, self.tr("As its calibration names it"))
        adds = self.tr("Add the new drive to the book")
        self._add = TouchButton(self.tr("Add"), "", adds, self.add, self)
        self._anew = TouchButton(self.tr("New job"), "", anew, self.begin, self)
        self._lay_out()
        self._offer(None)

    @property
    def identities(self) -> list[str]:
        """The drives in the list."""
        return [shelved.drive.identity for shelved in self._drives]

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self.past.chart.apply_theme(theme, sizes)

    def activate(self, in_hand: str = "") -> None:
        """Read the book anew, and choose the drive of the job in hand, where there is one."""
        self._in_hand = in_hand
        self._list.setFocus()
        self._look()
        self._worker.ask("disks", disks_in, self._offer_disks)

    def refresh(self) -> None:
        """Show what the book has answered, and what Enter does now."""
        said = self._worker.refresh()
        if said:
            self._fault = said
            self.say(said)
        in_form = self._identity.hasFocus() or self._note.hasFocus()
        # A name that is typed is not done with before it is added.
        adds = in_form or bool(self._identity.text().strip())
        reads = self.past.list.hasFocus()
        self._add.set_next(adds)
        self._of_jobs[-1].set_next(reads)
        self._on.set_next(not adds and not reads)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Do on Enter what is marked, wherever in the form it is pressed."""
        adds = bool(self._add.property("next"))
        if not on_enter(event, self.add if adds else self.go_on):
            super().keyPressEvent(event)

    def go_on(self) -> None:
        """Go on with the open job that is chosen, else the drive's newest; else begin one."""
        number = self._open_job(self._chosen())
        if number is None:
            self.begin()
        else:
            self._worker.ask("left", lambda book: book.left(number), self.resume.emit)

    def begin(self) -> None:
        """Begin a job on the chosen drive."""
        chosen = self._chosen()
        if chosen is None:
            self.say(self.tr("No drive is chosen; add one below, or choose one."))
            return
        plan, disk = self._plan.currentData(), self._disk.currentText().strip()
        self.begin_job.emit(chosen.drive.identity, chosen.drive.profile, plan, disk)

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
            self.say(self.tr("There is no job yet, so there is no chart."))

    def report(self) -> None:
        """Show the report of the chosen job, the newest where none is chosen."""
        chosen = self._chosen()
        if chosen is None or chosen.last is None:
            self.say(self.tr("This drive has no job yet, so there is no report."))
            return
        number = self.past.chosen
        self.show_report.emit(
            chosen.drive.identity, chosen.last.number if number is None else number
        )

    def _offer_disks(self, disks: tuple[str, ...]) -> None:
        """Offer the disks that the book has calibrations of; what is chosen or typed stays."""
        typed = self._disk.currentText()
        self._disk.clear()
        self._disk.addItems(["", *disks])
        self._disk.setEditText(typed)

    def _look(self) -> None:
        words, self._fault = self._search.text(), ""
        self._worker.ask("drives", lambda book: book.drives(words), self._fill)

    def _fill(self, found: tuple[DriveSummary, ...]) -> None:
        before = self._chosen()
        wanted = self._in_hand or ("" if before is None else before.drive.identity)
        # Once: what is chosen from then on stays.
        self._in_hand = ""
        self._drives = found
        self._list.show_rows(map(_drive_line, found))
        identities = self.identities
        if wanted in identities:
            self._list.setCurrentRow(identities.index(wanted))
        elif found:
            self._list.setCurrentRow(0)
        if not found:
            self._choose()
            self._say_empty()
        else:
            many = self.tr("{0} drives").format(len(found))
            # Answers come in any order: what the book has refused is not to be told over.
            self.say(self._fault or (many if len(found) > 1 else self.tr("One drive")))

    def _say_empty(self) -> None:
        """Say that there is none, and lead to where the first is typed."""
        if self._search.text():
            self.say(self.tr("No drive in the book has that in it."))
            return
        self.say(self.tr("No drive in the book yet: add the first below."))
        name = self._identity.setFocus
        self.past.first.offer(self.tr("No drive yet"), self.tr("Name the first drive"), name)
        self.past.show_first(True)
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

    def _choose(self) -> None:
        chosen = self._chosen()
        # Until the book answers no job is shown, so that none is taken for one of another drive.
        self.past.show_jobs(())
        self._offer(chosen)
        if chosen is not None:
            identity = chosen.drive.identity
            self._worker.ask("history", lambda book: book.history(identity), self._take_history)

    def _take_history(self, past: tuple[JobSummary, ...]) -> None:
        """Show a drive's jobs, or how the first one begins."""
        self.past.show_jobs(past)
        chosen = self._chosen()
        if not past and chosen is not None:
            heading = self.tr("{0} has no job yet").format(within(shown(chosen.drive.identity)))
            self.past.first.offer(heading, self.tr("Begin its first job"), self.begin)
            self.past.show_first(True)

    def _offer(self, chosen: DriveSummary | None) -> None:
        """Offer to go on with an open job before a new one."""
        number = self._open_job(chosen)
        if number is None:
            self._on.say(self.tr("Begin a job"))
        else:
            self._on.say(self.tr("Go on with job {0}").format(number))
        self._anew.setVisible(number is not None)
        for button in self._of_jobs:
            button.setVisible(chosen is not None and chosen.last is not None)

    def _open_job(self, chosen: DriveSummary | None) -> int | None:
        of_drive = None if chosen is None else chosen.open_job
        return self.past.chosen_open or of_drive

    def _chosen(self) -> DriveSummary | None:
        return chosen_of(self._drives, self._list)

    def _field(self, name: str, description: str) -> Field:
        field = Field(name, description, self)
        field.setMaxLength(MAX_TEXT)
        return field

    def _lay_out(self) -> None:
        charts = self.tr("Show offset, hysteresis or speed in the chart")
        report = self.tr("Show the report of the chosen job")
        back = self.tr("Go back to the needle")
        self._of_jobs = (
            TouchButton(self.tr("Next chart"), "", charts, self.next_chart, self),
            TouchButton(self.tr("Report"), "", report, self.report, self),
        )
        leave = TouchButton(self.tr("Back"), "Esc", back, self.back.emit, self)
        buttons = button_row(self._on, self._anew, *self._of_jobs, leave)
        form = FieldGrid(self)
        form.add_field(self.tr("New drive"), self._identity, _hint_of(self._identity))
        form.add_field(self.tr("Class"), self._profile)
        form.add_field(self.tr("Note"), self._note, _hint_of(self._note))
        form.add_field(self.tr("Plan of a new job"), self._plan)
        form.add_field(self.tr("Alignment disk"), self._disk, self._disk_hint)
        form.addWidget(self._add, 0, 2)
        search = (self._search, _hint_of(self._search))
        left = laid(QVBoxLayout(), *search, (self._list, FILLS), self._status, form)
        self._list.setMinimumHeight(_LIST_PX)
        self.past.setMinimumHeight(2 * _LIST_PX)
        halves = laid(self._halves, (left, FILLS), (self.past, FILLS))
        self._lay_scrolling((self._title, (halves, FILLS)), buttons)
        # As the eye goes: all of the form, and then the jobs beside it.
        fields = (self._identity, self._profile, self._note, self._plan, self._disk, self._add)
        beside = (self.past.first.button, self.past.list)
        order = (self._search, self._list, *fields, *beside, self._on, self._anew)
        for before, after in pairwise(order):
            self.setTabOrder(before, after)


def _hint_of(field: Field) -> Hint:
    return Hint(field, field.accessibleDescription())


def _drive_line(shelved: DriveSummary) -> str:
    last = shelved.last
    # Names written from right to left leave the words beside them in their places.
    drive = shelved.drive
    words = [within(shown(each)) for each in (drive.identity, drive.profile, drive.note)]
    if last is not None:
        words.append(last.opened_at[:10])
        words.append(_offset_words(last.as_left.offset_um or last.as_found.offset_um))
        if shelved.open_job is not None:
            words.append(translate("dashboard", "open"))
    return "    ".join(each for each in words if each)
