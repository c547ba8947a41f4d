"""What is watched while a job asks for something: the measurement under way, and the hand."""

from __future__ import annotations

from typing import TYPE_CHECKING

from app.analysis.bench.arrival import ArrivalWatch
from app.analysis.bench.locking import LockWatch
from app.analysis.reading import Quantity, Reading
from app.dashboard.words import translate
from app.job.job import Job
from app.job.judging import near
from app.job.model import Action, Ask, Do, Take
from app.live.measuring import Taken
from app.live.view import Phase

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

    def begin(self, ask: Take) -> str:
        """Begin a measurement; returns why not, empty when it has begun."""
        if self._session.view().phase is not Phase.RUNNING:
            return translate("job", "No source is running; open one, and measure then.")
        self._session.take(ask.want, ask.turns, ask.track, ask.side)
        self.part = 0.0
        return ""

    def stop(self) -> None:
        """Give up the measurement under way."""
        if self.part is not None:
            self.part = None
            self._session.cancel_take()

    def follow(self) -> Taken | None:
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
