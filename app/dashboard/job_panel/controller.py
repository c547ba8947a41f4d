"""The job in the window: what its keys and buttons do, without a widget, and where it is kept.

Threads: everything here runs in the GUI's thread and returns at once. Measurements are taken in the
session's thread and the book is written in its own; both are asked how far they are in
:meth:`JobController.refresh`. The book's end is waited for in *book-ending*.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import date
from enum import StrEnum
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal

from app.analysis.adjust.nudging import nearest
from app.analysis.results import Measurement, Message, Quantity, Reading, Sign
from app.book.archive import archive_of
from app.book.calibrations import (
    ALIGNMENT_DISK,
    Calibration,
    Use,
    as_begun,
    calibrations_in,
    used_for,
)
from app.book.drift import moment_of
from app.book.model import BookError, Drive, RefusedError, ResumableJob
from app.book.store import Book
from app.book.writer import JobWriter, head_for
from app.dashboard.job_panel.text import away_words, step_title
from app.dashboard.text import said, translate
from app.job.aims import aim_of
from app.job.certificate import of_another_disk, out_of_date
from app.job.job import Job
from app.job.model import AimKind, Answer, CheckName, Do, Enter, Measure, Outcome
from app.job.origin import Origin
from app.job.plan import JobStanding, Plan, plan_for
from app.job.technician import Technician
from app.job.units import answer_meant
from app.live.runner import HandWatch, JobRunner
from app.live.view import Phase, View, looked_through
from app.numbers import Unit, words_shown
from app.profiles import Profile, profile_values

if TYPE_CHECKING:
    from app.live.session import Session
    from app.live.stepping import Stepping


class Writing(StrEnum):
    """What the person is writing, beside what the job asks."""

    NOTHING = ""
    SKIP = "skip"
    CLOSE = "close"
    AIM = "aim"
    """Not a reason: what is chosen is where the head is to be."""
    OFFSET = "offset"
    """A stated one, to aim at."""


def _stated(values: Iterable[tuple[str, str, str]]) -> dict[str, str]:
    return {key: value for key, value, _ in values}


def _archive_um(kept: JobWriter) -> Quantity | None:
    """Return where the drive's head stood over an archive's track, as far as the book knows."""
    try:
        with Book(kept.path) as book:
            return archive_of(book, kept.drive.identity, virtual=kept.head.virtual)
    except BookError:
        # That it cannot be read is told where it is written to.
        return None


class JobController(QObject):
    """One job at a time, worked through beside the needle, with the book that keeps it.

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

    Attributes
    ----------
    line : Stepping or None
        What steps the drive by wire in the job in hand.
    unit : Unit
        In which lengths and temperatures are shown and typed.
    """

    changed = Signal()
    """Something that is shown of the job is different now."""
    report = Signal()
    """The person wants to see the report of the job in hand."""
    gone = Signal()
    """A closed job was put away: nothing goes by what the book knew for it any more."""

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
        self.line: Stepping | None = None
        self.unit = Unit.UM
        self.drive: Drive | None = None
        self._runner: JobRunner | None = None
        self._kept: JobWriter | None = None
        self.fault = ""
        """Why the book cannot be written; the job goes on all the same."""
        # What is looked at, and what is being written; anew with each ask.
        self.writing = Writing.NOTHING
        self.remark = ""
        self._chosen: int | None = None
        self._asks_source = False
        # The source of which it is known whether it fits the job.
        self._told_of = self._refused = ""
        # Up to when samples were looked through as it was seen last.
        self._seen_s = -inf
        self._nudge: tuple[Do, float] | None = None
        # For which ask the virtual hand has moved: what is watched is another with each.
        self._lent_to: HandWatch | None = None
        self.measured: tuple[str, Measurement] | None = None
        """What was measured last in the job: the title of its check, and what was found."""

    def calibrated(self, profile: Profile, origin: Origin, disk: str) -> Use:
        """Return the class with the book's calibrations of a disk that may be used at a source.

        Raises
        ------
        RefusedError
            When the class's certificate is of another disk.
        """
        other = of_another_disk(_stated(profile_values(profile)), disk)
        if other is not None:
            raise RefusedError(said(other))
        try:
            found = self._calibrations()
        except BookError:
            found = ()  # that it cannot be read is told where it is written to
        return used_for(
            profile,
            found,
            disk,
            origin.instrument,
            virtual=origin.virtual,
            today=date.fromisoformat(self._now()[:10]),
        )

    def as_begun(self, profile: Profile, left: ResumableJob) -> Profile:
        """Return the class with those calibrations of the book that an open job was begun with.

        Raises
        ------
        BookError
            When the book cannot be read.
        """
        return as_begun(profile, self._calibrations(), left.head.profile_values)

    def as_in_hand(self, profile: Profile) -> Profile:
        """Return a class and its disk as calibrated for the open job in hand, where it has them."""
        job = self.job
        if job is None or job.closed:
            return profile
        ours = job.profile
        return ours if (ours.name, ours.disk) == (profile.name, profile.disk) else profile

    def _calibrations(self) -> tuple[Calibration, ...]:
        with Book(self._book) as book:
            return calibrations_in(book)

    def begin(
        self,
        drive: Drive,
        origin: Origin,
        line: Stepping | None = None,
        plan: Plan = Plan.FULL,
        disk: str = "",
        notes: tuple[Message, ...] = (),
    ) -> None:
        """Begin a job on a drive that is at a source; one that is open stays so in the book.

        `line` is what steps the drive by wire, and is closed with the job; `disk` is what the
        alignment disk is called, empty where it has no name; `notes` are told with its first ask.
        """
        self.leave()
        self.line = line
        of = (self._session.profile, self._software, self._now())
        head = head_for(origin.source, origin.virtual, *of, plan)
        if disk:
            head = replace(head, conditions=((ALIGNMENT_DISK, disk),))
        self._keep(JobWriter(drive, head, self._now, path=self._book), plan=plan)
        moment = moment_of(head.opened_at)
        if moment is not None:
            doubt = out_of_date(_stated(head.profile_values), moment.date())
            notes += () if doubt is None else (doubt,)
        if notes:
            self.say(" · ".join(map(said, notes)))

    def take_up(self, left: ResumableJob, line: Stepping | None = None) -> None:
        """Resume an open job of the book, which fits; the one in hand stays open there.

        `line` is what steps the drive by wire, and is closed with the job.

        Raises
        ------
        BookError
            When it is being worked on elsewhere.
        """
        kept = JobWriter(left.drive, left.head, self._now, path=self._book, number=left.number)
        self.leave()
        self.line = line
        self._keep(kept, (left.standing, left.outcomes))

    def _keep(
        self,
        kept: JobWriter,
        left: tuple[JobStanding, tuple[Outcome, ...]] | None = None,
        plan: Plan = Plan.FULL,
    ) -> None:
        self._kept = kept
        self.drive = kept.drive
        job = Job(
            self._session.profile,
            kept.head.virtual,
            plan=plan_for(self._session.profile, plan=plan),
            now=self._now,
            log=kept,
            source=kept.head.source,
            archive_um=_archive_um(kept) if left is None else None,
            left=left,
        )
        self._runner = JobRunner(job, self._session, self.line)
        self._told_of = self._refused = ""
        self._fresh()

    def leave(self) -> None:
        """Leave the job in hand; what waits for the book is written in the background."""
        kept, self._kept = self._kept, None
        if self._runner is not None:
            self._runner.cancel()
        self._runner = self.drive = self.measured = None
        self._close_line()
        self._fresh()
        if kept is not None:
            threading.Thread(target=kept.finish, name="book-ending", daemon=True).start()

    def put_away(self) -> None:
        """Leave the job in hand where it is closed: nothing of it stays beside the needle."""
        if self.job is not None and self.job.closed:
            self.leave()
            self.gone.emit()

    def end(self, within_s: float = 2.0) -> None:
        """Let the book be written to its end: the window goes."""
        self._close_line()
        kept, self._kept = self._kept, None
        if kept is not None:
            kept.finish(within_s)

    def _close_line(self) -> None:
        line, self.line = self.line, None
        if line is not None:
            line.close()

    # -- what it tells -------------------------------------------------------------------------

    @property
    def job(self) -> Job | None:
        """The job in hand."""
        return None if self._runner is None else self._runner.job

    @property
    def hand(self) -> HandWatch:
        """What is seen of the hand at the drive."""
        return HandWatch() if self._runner is None else self._runner.hand

    @property
    def number(self) -> int | None:
        """The job's number in the book."""
        return None if self._kept is None else self._kept.number

    @property
    def part(self) -> float | None:
        """How far the measurement under way has come, None when none is."""
        return None if self._runner is None else self._runner.part

    @property
    def doubt(self) -> Message | None:
        """The hand says that it has done what was asked, and nothing was seen of it."""
        return None if self._runner is None else self._runner.doubt

    @property
    def asks_source(self) -> bool:
        """Whether it is being asked if the job may go on with another source."""
        return self._runner is not None and self._asks_source and self._runner.change is not None

    @property
    def zero_um(self) -> float:
        """Reading at which the middle of the hysteresis is at the aim, as the head rests now."""
        return 0.0 if self.job is None else self.job.zero_um

    @property
    def adjusting(self) -> bool:
        """Whether the head is being set, so that all zeros are the middle of the hysteresis."""
        job = self.job
        step = None if job is None or job.closed else job.step
        return step is not None and step.check in (CheckName.ADJUST, CheckName.LOCK)

    def left_um(self, nudge: Do, reading: Reading | None) -> float | None:
        """Return how far the head has to go still by a nudge that is asked for.

        It is counted from the first reading after the ask; outward is positive, and what goes
        beyond is told by the other sign. None where that cannot be told.
        """
        assert nudge.amount is not None
        if reading is None or not reading.valid or reading.offset_um is None:
            return None
        if reading.sign is Sign.UNKNOWN:
            return None
        now_um = reading.offset_um.value
        if self._nudge is None or self._nudge[0] is not nudge:
            self._nudge = nudge, now_um
        return self._nudge[1] + nudge.amount - now_um

    @property
    def best_um(self) -> float | None:
        """How far from the aim the best of the nudges left the middle, None while none counts."""
        nudged = () if self.job is None or not self.adjusting else self.job.known.nudged
        middles = [place for each in nudged for place in (each.before_um, each.after_um)]
        target_um = 0.0 if self.job is None else self.job.target_um
        best = nearest(middles, target_um)
        return None if best is None else middles[best].value - target_um

    @property
    def away(self) -> str:
        """Why the head is not where the lobes are, empty where the job knows of no reason."""
        if self.job is None:
            return ""
        if self.line is not None and self.line.astray and not self.job.closed:
            return translate("job", "The head may be on another track: bring it back by hand.")
        return away_words(self.job)

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

    @property
    def ended_last(self) -> int | None:
        """Place of the step that ended last, None where none has."""
        job = self.job
        if job is None or not job.outcomes:
            return None
        places = (at for at, step in enumerate(job.steps) if step.outcome is job.outcomes[-1])
        return next(places, None)

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

    def escape(self) -> None:
        """Give up what is being written or looked at."""
        if self.writing or self.elsewhere or self.remark:
            self._fresh()

    # -- going on ------------------------------------------------------------------------------

    def go_on(self, text: str = "") -> None:
        """Do the next thing; `text` is what stands in the entry."""
        runner, job = self._runner, self.job
        if runner is None or job is None:
            return
        if self.writing:
            self._take_written(runner, text.strip())
        elif job.closed:
            self.report.emit()
        elif self._chosen is not None:
            runner.take_up(self._chosen)
            self._fresh()
        elif job.ask is None:
            self.close()
        elif self.line is not None and self.line.takes(job.ask):
            self.line.take_over()
            self.changed.emit()
        elif isinstance(job.ask, Measure):
            if self.asks_source:
                runner.accept_change()
            self._measure(runner)
        elif isinstance(job.ask, Enter):
            words = text.strip()
            # A decimal comma is as good as a point.
            typed = (words if job.ask.choices else words.replace(",", ".")) or None
            self._answer(runner, answer_meant(job.ask, typed, self.unit))
        else:
            self._done(runner)

    def lend(self) -> None:
        """Let somebody else do what is asked: the line again, or for practice the virtual hand."""
        controls, runner = self._session.controls, self._runner
        if runner is None or self.writing or self.elsewhere:
            return
        ask = runner.job.ask
        if self.line is not None and self.may_lend_line:
            self.line.give_back()
            self.say("")
            return
        if controls is None:
            return
        if runner.refusal is not None:
            self.say(said(runner.refusal))
        elif isinstance(ask, Measure):
            self._measure(runner)
        elif isinstance(ask, Enter):
            self._answer(runner, Technician(controls).answer(ask))
        elif ask is not None and not runner.awaits:
            # What has moved the head once does not move it again: asked once more, it stands by it.
            if self._lent_to is not runner.hand or runner.hand.move is None:
                Technician(controls).answer(ask)
                self._lent_to = runner.hand
                if runner.done():
                    self._go_by_ask(runner)
            else:
                self._done(runner)

    @property
    def may_lend_line(self) -> bool:
        """Whether the line, which the hands have relieved, could do what is asked."""
        job, line = self.job, self.line
        asked = job is not None and isinstance(job.ask, Do) and job.ask.stops != ()
        return asked and line is not None and not line.on and not self.elsewhere

    @property
    def may_lend_hand(self) -> bool:
        """Whether the virtual hand could do what is asked."""
        job = self.job
        asked = job is not None and isinstance(job.ask, Do | Enter)
        return asked and self._session.controls is not None and not self.elsewhere

    def back(self) -> None:
        """Give up what is written or looked at, else take back a measurement or an answer.

        Where a check has just begun, also after the job was left, the one that ended last is looked
        at, to be done again.
        """
        runner = self._runner
        if runner is None:
            return
        if self.writing or self.elsewhere:
            self._fresh()
        elif runner.job.closed:
            self.put_away()
        elif runner.part is not None:
            runner.cancel()
            self.say(translate("job", "The measurement was given up."))
        elif runner.job.can_undo:
            runner.undo()
            self._fresh()
        elif (ended := self.ended_last) is not None:
            self.choose(ended)

    def skip(self) -> None:
        """Ask for the reason to leave out the check in hand."""
        if self.job is not None and self.job.step is not None:
            self._fresh(Writing.SKIP)

    def ask_aim(self) -> None:
        """Ask where the head is to be."""
        if self.job is not None and not self.job.closed:
            self._fresh(Writing.AIM)

    def close(self) -> None:
        """Close the job, or ask for the reason where something is open."""
        runner = self._runner
        if runner is None or runner.job.closed:
            return
        if runner.job.may_close:
            runner.close("")
            self._fresh()
        else:
            self.writing = Writing.CLOSE
            self.say("")

    def refresh(self, view: View, now_s: float) -> None:
        """See how far measurement, hand and book are."""
        runner, kept = self._runner, self._kept
        if runner is None or kept is None:
            return
        if kept.fault != self.fault:
            self.fault = kept.fault
            self.changed.emit()
        self._poll(runner)
        self._tell_of_source(runner, view)
        doubt = runner.doubt
        if self._see(runner, view, now_s):
            self._go_by_ask(runner)
        elif runner.doubt is not doubt:
            self.changed.emit()
        if view.phase is Phase.RUNNING and not self.writing and not self.elsewhere:
            self._step(runner)

    # -- inside --------------------------------------------------------------------------------

    def _see(self, runner: JobRunner, view: View, now_s: float) -> bool:
        """Show all that has come since; returns whether it shows that the hand has done its part.

        A window that is late sees as much as one that is not.
        """
        for reading, at_s in looked_through(view, self._seen_s, now_s):
            self._seen_s = at_s
            if runner.see(reading, at_s, now_s):
                return True
        return False

    def _tell_of_source(self, runner: JobRunner, view: View) -> None:
        """Say at once, and not at the next measurement, that a source does not fit the job."""
        if view.phase is not Phase.RUNNING or view.source == self._told_of or runner.job.closed:
            return
        before, self._told_of = self._refused, view.source
        self._refused = "" if runner.refusal is None else said(runner.refusal)
        if self._refused or (before and self.remark == before):
            self.say(self._refused)

    def _step(self, runner: JobRunner) -> None:
        """Let the line go on, and say why where it does so no more."""
        line = self.line
        was_on = line is not None and line.on
        if runner.step():
            self._go_by_ask(runner)
        elif line is not None and was_on and not line.on:
            self.say(line.said)

    def _poll(self, runner: JobRunner) -> None:
        # With what was measured the job may go on to the next.
        step = runner.job.step
        news = runner.poll()
        if news is None:
            return
        if news.measurement is not None:
            title = "" if step is None else step_title(step, runner.job.profile.sides)
            self.measured = title, news.measurement
            self._go_by_ask(runner)
        elif news.fault:
            self.say(translate("job", news.fault))
        else:
            self.changed.emit()

    def _done(self, runner: JobRunner) -> None:
        """Let the hand say that it is done: once more where nothing was seen of it."""
        if runner.doubt is not None:
            runner.insist()
            self._go_by_ask(runner)
        elif runner.done():
            self._go_by_ask(runner)

    def _answer(self, runner: JobRunner, value: Answer) -> None:
        try:
            runner.answer(value)
        except ValueError as fault:
            self.say(str(fault))
        else:
            self._go_by_ask(runner)

    def _go_by_ask(self, runner: JobRunner) -> None:
        """Show what is asked now, and begin it where it follows of itself."""
        self._fresh()
        if runner.follows:
            self._measure(runner)

    def _take_written(self, runner: JobRunner, text: str) -> None:
        if self.writing not in (Writing.AIM, Writing.OFFSET):
            self._give_reason(runner, text)
        elif text == AimKind.OFFSET:
            self._fresh(Writing.OFFSET)
        else:
            self._aim_at(runner, text)

    def _aim_at(self, runner: JobRunner, text: str) -> None:
        """Aim at what was chosen, or at the offset that was typed."""
        try:
            runner.aim_at(aim_of(runner.job.profile, runner.job.known, text, self.unit))
        except ValueError as fault:
            self.say(words_shown(str(fault), self.unit))
        else:
            self._fresh()

    def _give_reason(self, runner: JobRunner, reason: str) -> None:
        if not reason:
            self.say(translate("job", "Give the reason in a few words."))
            return
        if self.writing is Writing.SKIP:
            runner.skip(reason)
        else:
            runner.close(reason)
        self._fresh()

    def _measure(self, runner: JobRunner) -> None:
        if runner.part is not None:
            return
        if self._session.view().phase is not Phase.RUNNING:
            self.say(translate("job", "No source is running; open one, and measure then."))
            return
        obstacle = runner.measure()
        if obstacle is None:
            self.say("")
            return
        self._asks_source = runner.refusal is None
        self.say(said(obstacle))

    def say(self, words: str) -> None:
        """Remark on something, below what is asked."""
        self.remark = words
        self.changed.emit()

    def _fresh(self, writing: Writing = Writing.NOTHING) -> None:
        """Show anew what is asked now, or that its reason is being written."""
        self.writing, self._chosen, self._asks_source = writing, None, False
        self.say("")
