"""A job that is open in the window: from its beginning to the book's last word of it.

Threads: everything here runs in the GUI's thread. The book is written in its own thread, and its
end is waited for in *book-ending*.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal

from app.analysis.bench.nudging import nearest
from app.dashboard.job.watch import HandWatch, Measurer
from app.job.job import Job
from app.job.model import Outcome
from app.job.standing import Standing
from app.records.kept import Kept, head_for
from app.records.left import Left
from app.records.model import Drive

if TYPE_CHECKING:
    from app.live.session import Session


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

    def take_up(self, left: Left) -> None:
        """Go on with an open job of the book, which fits; the one at the bench stays open there."""
        self.leave()
        kept = Kept(left.drive, left.head, self._now, path=self._book, number=left.number)
        self._keep(kept, (left.standing, left.outcomes))

    def _keep(self, kept: Kept, left: tuple[Standing, tuple[Outcome, ...]] | None = None) -> None:
        """Have a job at the bench that is kept."""
        view = self._session.view()
        self._kept = kept
        self.drive = kept.drive
        self.job = Job(
            self._session.profile,
            view.virtual,
            now=self._now,
            on_taking=kept.add_taking,
            on_outcome=kept.add_outcome,
            on_standing=kept.add_standing,
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

    def _follow_book(self) -> None:
        fault = "" if self._kept is None else self._kept.fault
        if fault != self._fault:
            self._fault = fault
            self.changed.emit()
