"""What is watched while a job asks for something: the measurement under way, and the hand.

A job that is open in the window: from its beginning to the book's last word of it.

Threads: everything here runs in the GUI's thread. The book is written in its own thread, and its
end is waited for in *book-ending*.

The job at the bench: what the keys and buttons of a job do, without a widget.

Threads: everything here runs in the GUI's thread and returns at once. Measurements are taken in the
session's thread and the book is written in its own; both are asked how far they are in
:meth:`JobController.refresh`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal

from app.analysis.adjust.nudging import LockWatch, nearest
from app.analysis.adjust.positioner import ArrivalWatch
from app.analysis.results import Quantity, Reading
from app.book.model import Drive, ResumableJob
from app.book.writer import Kept, head_for
from app.dashboard.text import current_reading, translate
from app.job.job import Job
from app.job.model import Action, Answer, Ask, Do, Enter, Measure, Outcome
from app.job.plan import JobStanding, StepState
from app.job.technician import Technician
from app.job.verdicts import near
from app.live.session import Taken
from app.live.view import Phase, View

if TYPE_CHECKING:
    from app.live.session import Session


class Measurer:
    """Has the session measure what a job asks for.

    Attributes
    ----------
    part : float or None
        How far the measurement under way has come, None when none is.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self.part: float | None = None

    def begin(self, ask: Measure) -> str:
        """Begin a measurement; returns why not, empty when it has begun."""
        if self._session.view().phase is not Phase.RUNNING:
            return translate("job", "No source is running; open one, and measure then.")
        self._session.take(ask.measurand, ask.turns, ask.track, ask.side)
        self.part = 0.0
        return ""

    def stop(self) -> None:
        """Give up the measurement under way."""
        if self.part is not None:
            self.part = None
            self._session.cancel_take()

    def refresh(self) -> Taken | None:
        """Return what is new of the measurement, None when nothing is."""
        if self.part is None:
            return None
        taken = self._session.taken()
        if taken is None:
            self.part = None
            return Taken(fault=translate("job", "The source was changed while it was measured."))
        ended = taken.measurement is not None or bool(taken.fault)
        if not ended and taken.part == self.part:
            return None
        self.part = taken.part
        if ended:
            self.stop()
        return taken


class HandWatch:
    """Watches by the live readings what the hand does at the drive.

    Parameters
    ----------
    job : Job or None
        The job as it stands.

    Attributes
    ----------
    arrival : ArrivalWatch or None
        While the head is to leave the track and come back.
    lock : LockWatch or None
        While the screws are tightened.
    """

    def __init__(self, job: Job | None = None) -> None:
        self._job = job
        ask: Ask | None = None if job is None else job.ask
        doing = ask if isinstance(ask, Do) else None
        self.arrival = ArrivalWatch() if doing is not None and doing.noticed else None
        self.lock: LockWatch | None = None
        if job is not None and doing is not None and doing.action is Action.TIGHTEN:
            self.lock = LockWatch(limit_um=near(job.profile, job.options.lock_um))

    @property
    def is_done(self) -> bool:
        """Whether the hand has done what was asked, as far as can be seen."""
        return self.arrival is not None and self.arrival.arrived

    def push(self, reading: Reading, at_s: float) -> None:
        """Take the newest reading."""
        if self.arrival is not None:
            self.arrival.push(reading, at_s)
        elif self.lock is not None and reading.valid and reading.offset_um is not None:
            self._push_lock(self.lock, reading, reading.offset_um, at_s)

    def _push_lock(
        self, lock: LockWatch, reading: Reading, offset_um: Quantity, at_s: float
    ) -> None:
        assert self._job is not None
        # What all readings share, the scale's uncertainty, moves nothing.
        scale_um = self._job.profile.scale_um
        u_um = offset_um.u if reading.balance is None else scale_um * reading.balance.u
        lock.push(Quantity(offset_um.value - self._job.zero_um, u_um), at_s)


class OpenJob(QObject):
    """One job at a time, with the book that keeps it.

    Parameters
    ----------
    session : Session
        Measures, and lends the virtual drive's hands.
    now : callable
        Returns the time as ISO 8601 with offset.
    software : str
        Version of the program, for what is kept.
    book : Path or None
        The book's file; the user's own when None.
    """

    changed = Signal()
    """Something that is shown of the job is different now."""

    def __init__(
        self,
        session: Session,
        now: Callable[[], str],
        software: str = "",
        book: Path | None = None,
        parent: QObject | None = None,
    ) -> None:
        super().__init__(parent)
        self._session = session
        self._now = now
        self._software = software
        self._book = book
        self.job: Job | None = None
        self.drive: Drive | None = None
        self.hand = HandWatch()
        self._measurer = Measurer(session)
        self._kept: Kept | None = None
        self._fault = ""

    def begin(self, drive: Drive) -> None:
        """Begin a job on a drive; one that is open stays so in the book."""
        self.leave()
        view = self._session.view()
        profile = self._session.profile
        head = head_for(view.source, view.virtual, profile, self._software, self._now())
        self._keep(Kept(drive, head, self._now, path=self._book))

    def take_up(self, left: ResumableJob) -> None:
        """Go on with an open job of the book, which fits; the one at the bench stays open there."""
        self.leave()
        kept = Kept(left.drive, left.head, self._now, path=self._book, number=left.number)
        self._keep(kept, (left.standing, left.outcomes))

    def _keep(
        self, kept: Kept, left: tuple[JobStanding, tuple[Outcome, ...]] | None = None
    ) -> None:
        """Have a job at the bench that is kept."""
        view = self._session.view()
        self._kept = kept
        self.drive = kept.drive
        self.job = Job(
            self._session.profile,
            view.virtual,
            now=self._now,
            log=kept,
            source=view.source,
            left=left,
        )
        self._fresh()

    def leave(self) -> None:
        """Let go of the job in hand; what waits for the book is written in the background."""
        kept, self._kept = self._kept, None
        self.job = self.drive = None
        self._fresh()
        if kept is not None:
            threading.Thread(target=kept.finish, name="book-ending", daemon=True).start()

    def end(self, within_s: float = 2.0) -> None:
        """Let the book be written to its end: the window goes."""
        kept, self._kept = self._kept, None
        if kept is not None:
            kept.finish(within_s)

    @property
    def fault(self) -> str:
        """Why the book cannot be written; the job goes on all the same."""
        return self._fault

    @property
    def number(self) -> int | None:
        """The job's number in the book."""
        return None if self._kept is None else self._kept.number

    @property
    def part(self) -> float | None:
        """How far the measurement under way has come, None when none is."""
        return self._measurer.part

    @property
    def zero_um(self) -> float:
        """Reading at which the middle of the hysteresis is on the line, as the head rests now."""
        return 0.0 if self.job is None else self.job.zero_um

    @property
    def best_um(self) -> float | None:
        """Where the middle stood at the best of the nudges so far, None before the first."""
        nudged = () if self.job is None else self.job.known.nudged
        middles = [place for each in nudged for place in (each.before_um, each.after_um)]
        best = nearest(middles, 0.0)
        return None if best is None else middles[best].value

    def _fresh(self) -> None:
        """Begin anew with what is asked now."""
        self._measurer.stop()
        self.hand = HandWatch(self.job)
        self.changed.emit()

    def _refresh_book(self) -> None:
        fault = "" if self._kept is None else self._kept.fault
        if fault != self._fault:
            self._fault = fault
            self.changed.emit()


class Writing(StrEnum):
    """What the person is giving a reason for."""

    NOTHING = ""
    SKIP = "skip"
    CLOSE = "close"


class JobController(OpenJob):
    """The job in hand, worked through beside the needle; its parameters are those of a job."""

    report = Signal()
    """The person wants to see the report of the job in hand."""

    # What is looked at, and what is being written; anew with each ask.
    writing = Writing.NOTHING
    remark = ""
    _chosen: int | None = None

    # -- choosing ------------------------------------------------------------------------------

    @property
    def chosen(self) -> int | None:
        """Place of the step that is looked at: the one in hand, or another that was chosen."""
        job = self.job
        if job is None:
            return None
        if self._chosen is not None:
            return self._chosen
        return job.at if job.at is not None else len(job.steps) - 1

    @property
    def elsewhere(self) -> bool:
        """Whether another step than that in hand is looked at."""
        return self._chosen is not None

    def choose(self, index: int) -> None:
        """Look at a step."""
        job = self.job
        if job is None or not job.steps:
            return
        index = min(max(index, 0), len(job.steps) - 1)
        self._chosen = None if index == job.at else index
        self.say("")

    def choose_next(self, by: int) -> None:
        """Look at the step before or after."""
        chosen = self.chosen
        if chosen is not None:
            self.choose(chosen + by)

    def escape(self) -> bool:
        """Give up what is being written or looked at; returns whether there was something."""
        if not (self.writing or self.elsewhere or self.remark):
            return False
        self.writing, self._chosen = Writing.NOTHING, None
        self.say("")
        return True

    # -- going on ------------------------------------------------------------------------------

    def go_on(self, text: str = "") -> None:
        """Do the next thing; `text` is what stands in the entry."""
        job = self.job
        if job is None:
            return
        if self.writing:
            self._give_reason(text)
        elif job.closed:
            self.report.emit()
        elif self._chosen is not None:
            self._take_up(self._chosen)
        elif job.ask is None:
            self.close()
        elif isinstance(job.ask, Measure):
            self._measure()
        elif isinstance(job.ask, Enter):
            words = text.strip()
            # A decimal comma is as good as a point.
            self._answer((words if job.ask.choices else words.replace(",", ".")) or None)
        else:
            self._answer(True)

    def by_virtual_hand(self) -> None:
        """Let the virtual hand do what is asked, for practice."""
        controls, job = self._session.controls, self.job
        if job is None or controls is None or self.writing or self.elsewhere:
            return
        technician = Technician(controls)
        match job.ask:
            case Do() as ask:
                technician.do(ask)
                self._answer(True)
            case Enter() as ask:
                self._answer(technician.enter(ask))
            case Measure():
                self._measure()

    @property
    def may_lend_hand(self) -> bool:
        """Whether the virtual hand could do what is asked."""
        job = self.job
        asked = job is not None and isinstance(job.ask, Do | Enter)
        return asked and self._session.controls is not None and not self.elsewhere

    def back(self) -> None:
        """Give up what is written or looked at, else take back a measurement or an answer."""
        job = self.job
        if job is None:
            return
        if self.writing or self.elsewhere:
            self.escape()
        elif self.part is not None:
            self._measurer.stop()
            self.say(translate("job", "The measurement was given up."))
        elif job.can_undo:
            self._attempt(job.undo)

    def skip(self) -> None:
        """Ask for the reason to leave out the check in hand."""
        if self.job is not None and self.job.step is not None:
            self._chosen = None
            self._write(Writing.SKIP)

    def close(self) -> None:
        """Close the job, or ask for the reason where something is open."""
        job = self.job
        if job is None or job.closed:
            return
        if job.may_close:
            self._close("")
        else:
            self._write(Writing.CLOSE)

    def refresh(self, view: View, now_s: float) -> None:
        """See how far measurement, hand and book are."""
        if self.job is None or self._kept is None:
            return
        self._refresh_book()
        self._refresh_measuring()
        reading = current_reading(view, now_s)
        if reading is not None and view.phase is Phase.RUNNING:
            self.hand.push(reading, view.reading_at_s)
            if self.hand.is_done:
                self._answer(True)

    # -- inside --------------------------------------------------------------------------------

    def _refresh_measuring(self) -> None:
        taken = self._measurer.refresh()
        if taken is None:
            return
        if taken.measurement is not None:
            self._answer(taken.measurement, taken.settings)
        elif taken.fault:
            self.say(taken.fault)
        else:
            self.changed.emit()

    def _answer(self, value: Answer, settings: tuple[tuple[str, str], ...] = ()) -> None:
        job = self.job
        assert job is not None
        at = job.at
        stays = self._attempt(lambda: job.answer(value, settings)) and job.at == at
        # Both hands may be at the drive: what follows of itself is not waited for.
        if stays and isinstance(job.ask, Measure):
            self._measure()

    def _attempt(self, done: Callable[[], None]) -> bool:
        try:
            done()
        except ValueError as fault:
            self.say(str(fault))
            return False
        self._fresh()
        return True

    def _take_up(self, index: int) -> None:
        job = self.job
        assert job is not None
        state = job.steps[index].state
        taken_up = job.go_to if state in (StepState.PENDING, StepState.IN_HAND) else job.repeat
        self._measurer.stop()
        self._attempt(lambda: taken_up(index))

    def _give_reason(self, text: str) -> None:
        job, reason = self.job, text.strip()
        assert job is not None
        if not reason:
            self.say(translate("job", "Give the reason in a few words."))
            return
        if self.writing is Writing.SKIP:
            self._measurer.stop()
            self._attempt(lambda: job.skip(reason))
        else:
            self._close(reason)

    def _close(self, reason: str) -> None:
        job = self.job
        assert job is not None
        self._measurer.stop()
        self._attempt(lambda: job.close(reason))

    def _measure(self) -> None:
        ask = None if self.job is None else self.job.ask
        if self.part is None and isinstance(ask, Measure):
            self.say(self._measurer.begin(ask))

    def _write(self, what: Writing) -> None:
        self.writing = what
        self.say("")

    def say(self, words: str) -> None:
        """Remark on something, below what is asked."""
        self.remark = words
        self.changed.emit()

    def _fresh(self) -> None:
        self.writing, self._chosen, self.remark = Writing.NOTHING, None, ""
        super()._fresh()
