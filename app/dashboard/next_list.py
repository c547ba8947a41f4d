"""What to do next, on the first page: open jobs, sources, the newest report, tour and practice.

Threads: a thread *sources* lists what is attached, once each time that the page is shown with
nothing open but the virtual drive that runs behind it, and ends by itself; the window's timer takes
its result.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QWidget

from app.book.model import DriveSummary, ResumableJob
from app.book.store import Book, default_path, shown
from app.dashboard.background import BookWorker, in_background
from app.dashboard.settings import Choice, Settings
from app.dashboard.source_words import source_words
from app.dashboard.text import translate
from app.dashboard.widgets import NamedList, chosen_of
from app.live.opening import Opening
from app.live.view import Listed, Listing
from app.report.blocks import within

_MOST_OPEN = _MOST_RECENT = 3
_VIRTUAL = "sim:"
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


@dataclass(frozen=True, slots=True)
class CaptureInDialog:
    """A capture that is to be chosen in a dialog."""


_Thing = OpenJob | NewestReport | Choice | Listed | CaptureInDialog | Bare


def things_of(
    drives: Sequence[DriveSummary],
    recent: Sequence[Choice],
    open_now: str,
    *,
    at_work: bool,
    attached: Sequence[Listed] = (),
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
    attached : sequence of Listed
        Sources that were found; they come last, for they are found while the list is read.
    """
    things: list[tuple[str, _Thing]] = []
    left = [] if at_work else [each for each in drives if each.open_job is not None]
    for each in sorted(left, key=lambda each: -(each.open_job or 0))[:_MOST_OPEN]:
        words = translate("first", "Go on with job {0} of {1}")
        assert each.open_job is not None
        whose = within(shown(each.drive.identity))
        things.append((words.format(each.open_job, whose), OpenJob(each.open_job)))
    # What runs behind the page from the beginning nobody has opened.
    there = "" if open_now == _VIRTUAL else open_now
    again = [] if at_work else [each for each in recent if each.opening.address != there]
    for each in again[:_MOST_RECENT]:
        words = translate("first", "Open again: {0}")
        things.append((words.format(each.opening.command), each))
    done = [(each.last, each.drive) for each in drives if each.last and each.last.closed_at]
    for job, drive in sorted(done, key=lambda each: -each[0].number)[:1]:
        words = translate("first", "Report of job {0} of {1}, closed {2}")
        closed = words.format(job.number, within(shown(drive.identity)), job.closed_at[:10])
        things.append((closed, NewestReport(drive.identity, job.number)))
    opens = _offers_sources(open_now, at_work=at_work)
    used = {each.opening.address for each in recent}
    if opens and _VIRTUAL not in used:
        words = translate("first", "Open the virtual drive, to try it")
        things.append((words, Choice(Opening(_VIRTUAL))))
    things.append((translate("first", "Tour of the window in five cards"), Bare(is_tour=True)))
    practice = translate("first", "Practice on a virtual drive with a hidden fault")
    things.append((practice, Bare(is_tour=False)))
    if opens:
        things.append((translate("first", "Open a capture …"), CaptureInDialog()))
        for each in attached:
            if each.address not in {*used, _VIRTUAL}:
                title = source_words(translate("sources", each.title))
                words = translate("first", "Open: {0}").format(f"{title}    {each.address}")
                things.append((words, each))
    return things


def _offers_sources(open_now: str, *, at_work: bool) -> bool:
    """Whether any source may be opened: nobody has opened one that runs, nor works on one."""
    return open_now in ("", _VIRTUAL) and not at_work


class NextList(NamedList):
    """The list of it.

    `book` is the job book's file, the user's own when None; `attached` lists what sources there
    are.
    """

    resume = Signal(ResumableJob)
    """Go on with an open job."""
    show_report = Signal(str, int)
    """Show a report: the drive's identity and the job's number."""
    chosen = Signal(Choice)
    """Open this source."""
    described = Signal(str)
    """Describe the source of this address, and open it then."""
    browse = Signal()
    """Choose a capture, and open it."""
    tour = Signal()
    practice = Signal()
    listed = Signal()
    """All that there is to go on with is listed."""
    refused = Signal(str)
    """The book cannot be read: why, in a sentence."""

    def __init__(
        self,
        book: Path | None,
        settings: Settings,
        attached: Callable[[], Listing],
        parent: QWidget,
    ) -> None:
        super().__init__(
            self.tr("To do next"), self.tr("Arrows choose, Enter or a touch does it"), parent
        )
        self._book, self._settings = book, settings
        self._worker = BookWorker(book)
        self._find = attached
        self._finding: Future[Listing] | None = None
        self._attached: tuple[Listed, ...] = ()
        self._is_to_find = False
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

    @property
    def looking(self) -> bool:
        """Whether what is attached is being listed, or will be."""
        return self._is_to_find or self._finding is not None

    def activate(self, open_now: str, *, at_work: bool) -> None:
        """Ask the book, where there is one, and list what is known meanwhile; see `things_of`."""
        self._at_work, self._open_now = at_work, open_now
        self._is_to_find = _offers_sources(open_now, at_work=at_work)
        if (self._book or default_path()).exists():
            self._worker.ask("drives", Book.drives, self._take)
        self.setCurrentRow(-1)
        self.fill()

    def note_open(self, open_now: str) -> None:
        """Take the address of the source that is open now: it is not offered once more."""
        if open_now != self._open_now:
            self._open_now = open_now
            self._is_to_find &= _offers_sources(open_now, at_work=self._at_work)
            self.fill()
            self.listed.emit()

    def refresh(self) -> None:
        """List what the book has answered."""
        said = self._worker.refresh()
        if said:
            self.fill()
            self.listed.emit()
            self.refused.emit(said)
        self._look()

    def _look(self) -> None:
        """Have what is attached listed, and take what was found."""
        if self._finding is None:
            if self._is_to_find and self.isVisible():
                self._is_to_find = False
                self._finding = in_background("sources", self._find)
        elif self._finding.done():
            done, self._finding = self._finding, None
            # Where they cannot be listed, the page of sources says so.
            self._attached = () if done.exception() is not None else done.result().sources
            self.fill()
            self.listed.emit()

    def fit(self, page_high: int) -> None:
        """Take the room of all rows, but no more than a part of the page."""
        row = max(1, self.sizeHintForRow(0))
        most = max(1, int(_MOST_PART * page_high / row))
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
        things = things_of(
            self._drives, recent, self._open_now, at_work=at_work, attached=self._attached
        )
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
            case Listed():
                self.described.emit(thing.address)
            case CaptureInDialog():
                self.browse.emit()
            case Bare(is_tour=True):
                self.tour.emit()
            case Bare():
                self.practice.emit()
