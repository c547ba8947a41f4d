"""The job at the bench: what the keys and buttons of a job do, without a widget.

Threads: everything here runs in the GUI's thread and returns at once. Measurements are taken in the
session's thread and the book is written in its own; both are asked how far they are in
:meth:`Desk.follow`.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum

from PySide6.QtCore import Signal

from app.dashboard.job.openjob import OpenJob
from app.dashboard.words import current_reading, translate
from app.job.model import Do, Enter, Take
from app.job.plan import State
from app.job.takings import Answer
from app.job.technician import Technician
from app.live.view import Phase, View


class Writing(StrEnum):
    """What the person is giving a reason for."""

    NOTHING = ""
    SKIP = "skip"
    CLOSE = "close"


class Desk(OpenJob):
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
        elif isinstance(job.ask, Take):
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
            case Take():
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

    def follow(self, view: View, now_s: float) -> None:
        """See how far measurement, hand and book are."""
        if self.job is None or self._kept is None:
            return
        self._follow_book()
        self._follow_measuring()
        reading = current_reading(view, now_s)
        if reading is not None and view.phase is Phase.RUNNING:
            self.hand.push(reading, view.reading_at_s)
            if self.hand.is_done:
                self._answer(True)

    # -- inside --------------------------------------------------------------------------------

    def _follow_measuring(self) -> None:
        taken = self._measurer.follow()
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
        if stays and isinstance(job.ask, Take):
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
        taken_up = job.go_to if state in (State.PENDING, State.IN_HAND) else job.repeat
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
        job, kept = self.job, self._kept
        assert job is not None
        self._measurer.stop()
        if self._attempt(lambda: job.close(reason)) and kept is not None:
            kept.close(job.nudges, reason)

    def _measure(self) -> None:
        ask = None if self.job is None else self.job.ask
        if self.part is None and isinstance(ask, Take):
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
