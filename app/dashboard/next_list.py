"""What to do next, on the first page: open jobs, the last source, reports, practice, the tour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QWidget

from app.book.model import DriveSummary, ResumableJob
from app.book.store import Book, default_path
from app.dashboard.background import BookWorker
from app.dashboard.settings import Choice, Settings
from app.dashboard.text import translate
from app.dashboard.widgets import NamedList, chosen_of

_MOST_OPEN = 3
_MOST_PART = 0.4
"""Of the page's height; the list scrolls where that is too little."""


@dataclass(frozen=True, slots=True)
class OpenJob:
    """An open job that may be gone on with."""

    number: int


@dataclass(frozen=True, slots=True)
class NewestReport:
    """The report of a drive's newest job, which is closed."""

    identity: str
    number: int


@dataclass(frozen=True, slots=True)
class Bare:
    """What needs to be told no more of: the practice bench, or the tour."""

    is_tour: bool


_Thing = OpenJob | NewestReport | Choice | Bare


def things_of(
    drives: Sequence[DriveSummary], recent: Sequence[Choice], open_now: str, *, at_work: bool
) -> list[tuple[str, _Thing]]:
    """Return what may be done next, each in words, the most likely first.

    Parameters
    ----------
    drives : sequence of DriveSummary
        Those of the job book.
    recent : sequence of Choice
        Sources that were used, the newest first.
    open_now : str
        Address of the source that is open; empty where none is.
    at_work : bool
        Whether a job is in hand, which no key on this page is to put away.
    """
    things: list[tuple[str, _Thing]] = []
    left = [] if at_work else [each for each in drives if each.open_job is not None]
    for each in sorted(left, key=lambda each: -(each.open_job or 0))[:_MOST_OPEN]:
        words = translate("first", "Go on with job {0} of {1}")
        assert each.open_job is not None
        things.append((words.format(each.open_job, each.drive.identity), OpenJob(each.open_job)))
    if recent and not at_work and recent[0].opening.address != open_now:
        words = translate("first", "Open again: {0}")
        things.append((words.format(recent[0].opening.command), recent[0]))
    done = [(each.last, each.drive) for each in drives if each.last and each.last.closed_at]
    for job, drive in sorted(done, key=lambda each: -each[0].number)[:1]:
        words = translate("first", "Report of job {0} of {1}, closed {2}")
        closed = words.format(job.number, drive.identity, job.closed_at[:10])
        things.append((closed, NewestReport(drive.identity, job.number)))
    things.append((translate("first", "Tour of the window in five cards"), Bare(is_tour=True)))
    practice = translate("first", "Practice on a virtual drive with a hidden fault")
    things.append((practice, Bare(is_tour=False)))
    return things


class NextList(NamedList):
    """The list of it; `book` is the job book's file, the user's own when None."""

    resume = Signal(ResumableJob)
    """Go on with an open job."""
    show_report = Signal(str, int)
    """Show a report: the drive's identity and the job's number."""
    chosen = Signal(Choice)
    """Open this source."""
    tour = Signal()
    practice = Signal()
    listed = Signal()
    """All that there is to go on with is listed."""
    refused = Signal(str)
    """The book cannot be read: why, in a sentence."""

    def __init__(self, book: Path | None, settings: Settings, parent: QWidget) -> None:
        super().__init__(
            self.tr("To do next"), self.tr("Arrows choose, Enter or a touch does it"), parent
        )
        self._book, self._settings = book, settings
        self._worker = BookWorker(book)
        self._drives: tuple[DriveSummary, ...] = ()
        self._things: list[_Thing] = []
        self._at_work, self._open_now = False, ""
        self.asked.connect(self._do)
        self.itemClicked.connect(lambda _: self._do())
        self.fill()

    @property
    def leads_on(self) -> bool:
        """Whether there is something to go on with, beyond what there always is, or may be yet."""
        return self._worker.busy or isinstance(self._things[0], OpenJob | Choice)

    def activate(self, open_now: str, *, at_work: bool) -> None:
        """Ask the book, where there is one, and list what is known meanwhile; see `things_of`."""
        self._at_work, self._open_now = at_work, open_now
        if (self._book or default_path()).exists():
            self._worker.ask("drives", Book.drives, self._take)
        self.setCurrentRow(-1)
        self.fill()

    def note_open(self, open_now: str) -> None:
        """Take the address of the source that is open now: it is not offered once more."""
        if open_now != self._open_now:
            self._open_now = open_now
            self.fill()
            self.listed.emit()

    def refresh(self) -> None:
        """List what the book has answered."""
        said = self._worker.refresh()
        if said:
            self.fill()
            self.listed.emit()
            self.refused.emit(said)

    def fit(self, page_high: int) -> None:
        """Take the room of all rows, but no more than a part of the page."""
        row = max(1, self.sizeHintForRow(0))
        most = max(1, round(_MOST_PART * page_high) // row)
        self.setFixedHeight(min(self.count(), most) * row + 2 * self.frameWidth())

    def fill(self) -> None:
        """List what may be done now; none is chosen that may give way to another at once.

        What a hand has chosen stays so, where it may still be done.
        """
        recent, at_work, before = (
            self._settings.recent,
            self._at_work,
            chosen_of(self._things, self),
        )
        things = things_of(self._drives, recent, self._open_now, at_work=at_work)
        self._things = [thing for _, thing in things]
        is_settled = self.leads_on and not self._worker.busy
        row = self._things.index(before) if before in self._things else 0 if is_settled else -1
        self.show_rows((words for words, _ in things), row)

    def _take(self, drives: tuple[DriveSummary, ...]) -> None:
        self._drives = drives
        self.fill()
        self.listed.emit()

    def _do(self) -> None:
        thing = chosen_of(self._things, self)
        # Where a press counts as Enter too, it is done once.
        self.setCurrentRow(-1)
        match thing:
            case OpenJob(number):
                self._worker.ask("left", lambda book: book.left(number), self.resume.emit)
            case NewestReport(identity, number):
                self.show_report.emit(identity, number)
            case Choice():
                self.chosen.emit(thing)
            case Bare(is_tour=True):
                self.tour.emit()
            case Bare():
                self.practice.emit()
