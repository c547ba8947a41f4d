"""Leading a job: what it asks is measured or watched for, and answered; the rest is who answers.

Window, terminal and virtual technician all lead a job by one :class:`JobRunner`. The window's is
measured beside the live needle, by the session; without a window :class:`SourceReader` does so.

Threads: one, that of whoever leads the job. Nothing here waits but :meth:`SourceReader.read`.
"""

from __future__ import annotations

import time
from math import inf
from typing import Protocol

from app.analysis import messages as of_analysis
from app.analysis.adjust.nudging import LockWatch
from app.analysis.adjust.positioner import ArrivalState, ArrivalWatch, MoveWatch, own
from app.analysis.messages import fill
from app.analysis.results import Measurement, Message, Quantity, Reading
from app.job import messages
from app.job.job import Job
from app.job.model import INSISTED, ORDINARY, Action, Aim, Answer, Do, Measure
from app.job.origin import Origin
from app.job.plan import ENDED
from app.job.verdicts import near
from app.live.measurement import (
    AnyAnalyser,
    EnvelopeOptions,
    MeasurementProgress,
    MeasurementRequest,
    MeasurementRun,
    analyser_for,
    origin_of,
)
from app.live.stepping import Stepping
from app.profiles import Profile
from instruments.source import Source, SourceEnd

_READ_S = 0.2


class Measurer(Protocol):
    """What measures for a job, one measurement at a time: the session, or a source read on."""

    def measure(self, request: MeasurementRequest) -> None:
        """Begin a measurement of what comes from now on, in place of one under way."""
        ...

    def progress(self) -> MeasurementProgress | None:
        """Return how far the measurement has come, None where there is none any more."""
        ...

    def cancel_measurement(self) -> None:
        """Cancel the measurement under way, or forget its result."""
        ...

    def origin(self) -> Origin | None:
        """Return where what is read comes from, None where nothing is known of that."""
        ...


_MOVES = (Action.NUDGE, Action.TIGHTEN)
_SEATING = (
    Action.RESEAT,
    Action.INSERT_ALIGNMENT,
    Action.INSERT_COVERED,
    Action.INSERT_SCRATCH,
    Action.PROVE_PROTECT,
)
"""What the disk stops for, and is seated anew."""
_PATIENCE_S = 1.5
"""From *done* to samples in which it should have been seen: some turns settle a reading."""
_NUDGED_PART, _NEARLY_PART = 0.9, 0.75
"""Of a nudge: there a hand has ended; and there it may have (hands err by a tenth or so)."""
_MOST_AGAIN = 5
"""So often a measurement begins anew in which the hand was still at work."""
_AWAY_S = 10.0
"""From *done*, with the head stepped away, to where it should have come back."""


class HandWatch:
    """Watches by the live readings what the hand does at the drive.

    Parameters
    ----------
    job : Job or None
        What is asked of the hand.
    before_um : Quantity or None
        Where the head was measured last, u without that of the disk's scale.

    Attributes
    ----------
    arrival : ArrivalWatch or None
        While the head, or the disk, is to go and come back.
    move : MoveWatch or None
        While the head is to be moved.
    lock : LockWatch or None
        While the screws are tightened.
    left_s : float or None
        While time is to pass: how much of it is left.
    """

    def __init__(self, job: Job | None = None, before_um: Quantity | None = None) -> None:
        self._job = job
        ask = None if job is None else job.ask
        self._doing = doing = ask if isinstance(ask, Do) else None
        action = None if doing is None else doing.action
        self.arrival = ArrivalWatch() if doing is not None and doing.noticed else None
        # An ordinary track has no lobes by which a move could be seen; there a gauge tells it.
        has_lobes = job is not None and job.drive.disk != ORDINARY
        self.move = MoveWatch(before_um) if has_lobes and action in _MOVES else None
        self._wait_s = doing.amount if doing is not None and action is Action.WAIT else None
        self._wait_from_s: float | None = None
        self.left_s: float | None = self._wait_s
        self.lock: LockWatch | None = None
        if job is not None and has_lobes and action is Action.TIGHTEN:
            self.lock = LockWatch(limit_um=near(job.profile, job.options.lock_um))

    @property
    def watches(self) -> bool:
        """Whether what is asked can be seen."""
        return self.arrival is not None or self.move is not None or self.left_s is not None

    @property
    def notices(self) -> bool:
        """Whether it is noticed without a word that what is asked has been done."""
        nudges = self._doing is not None and self._doing.action is Action.NUDGE
        return self.arrival is not None or self.left_s is not None or (nudges and bool(self.move))

    @property
    def has_nudged(self) -> bool:
        """Whether the head is seen to be as far from where it was as a nudge is to bring it.

        Either way round: which one is outward may be what the nudge is to show.
        """
        return self._nudged_by(_NEARLY_PART)

    def _nudged_by(self, part: float) -> bool:
        move, doing = self.move, self._doing
        if move is None or move.went_um is None or doing is None or not doing.amount:
            return False
        wanted_um = max(move.resolution_um, part * abs(doing.amount))
        return doing.action is Action.NUDGE and abs(move.went_um) >= wanted_um

    @property
    def is_done(self) -> bool:
        """Whether the hand has done what was asked, and rests, as far as can be seen."""
        if self.left_s is not None:
            return self.left_s <= 0.0
        if self.move is not None:
            # Short of its end a hand may but change its grip.
            part = _NEARLY_PART if self.move.rests_long else _NUDGED_PART
            return self.move.rests and self._nudged_by(part)
        return self.arrival is not None and self.arrival.arrived

    @property
    def is_away(self) -> bool:
        """Whether the head, or the disk, is seen to be away."""
        return self.arrival is not None and self.arrival.state is ArrivalState.AWAY

    @property
    def seen(self) -> bool:
        """Whether something was seen of what was asked, by a hand that says it has done it."""
        if self.arrival is not None:
            return self.arrival.state in (ArrivalState.SETTLING, ArrivalState.ARRIVED)
        if self.move is None or self.move.moved:
            return True
        return self.lock is not None and self.move.in_sight

    @property
    def too_small(self) -> bool:
        """Whether what was asked is too small to be seen, and would have been but for that."""
        move, doing = self.move, self._doing
        if move is None or doing is None:
            return False
        return move.in_sight and abs(doing.amount or 0.0) <= move.resolution_um

    @property
    def doubt(self) -> Message:
        """What was not seen."""
        return messages.NOTHING_MOVED if self.lock is None else messages.OUT_OF_SIGHT

    def tick(self, at_s: float) -> None:
        """Take the time, on a monotonic clock."""
        if self._wait_s is not None:
            self._wait_from_s = at_s if self._wait_from_s is None else self._wait_from_s
            self.left_s = self._wait_s - (at_s - self._wait_from_s)

    def push(self, reading: Reading, at_s: float) -> None:
        """Take the newest reading."""
        if self.arrival is not None:
            self.arrival.push(reading, at_s)
        if self.move is not None:
            self.move.push(reading, at_s)
        if self.lock is not None and reading.valid and reading.offset_um is not None:
            self._push_lock(self.lock, reading, reading.offset_um, at_s)

    def _push_lock(
        self, lock: LockWatch, reading: Reading, offset_um: Quantity, at_s: float
    ) -> None:
        assert self._job is not None
        # What all readings share, the scale's uncertainty, moves nothing.
        scale_um = self._job.profile.scale_um
        u_um = offset_um.u if reading.balance is None else scale_um * reading.balance.u
        lock.push(Quantity(offset_um.value - self._job.zero_um, u_um), at_s)


class JobRunner:
    """Leads one job.

    Attributes
    ----------
    part : float or None
        How far the measurement under way has come, None when none is.
    hand : HandWatch
        What the hand does, while the job asks for it.
    doubt : Message or None
        The hand says that it has done what was asked, and nothing was seen of it.
    follows : bool
        The last answer was followed by a measurement in the same step: both hands may be at the
        drive, and it need not be asked for.
    line : Stepping or None
        What steps the drive by wire, where there is something.
    """

    def __init__(self, job: Job, measurer: Measurer, line: Stepping | None = None) -> None:
        self.job = job
        self._measurer = measurer
        self.line = line
        self._place_um: Quantity | None = None
        self._said_done = False
        self._said_s: float | None = None
        self._last_s = 0.0
        self._disk_turned = False
        self._again = 0
        self.part: float | None = None
        self.hand = HandWatch(job)
        self.doubt: Message | None = None
        self.follows = False

    @property
    def refusal(self) -> Message | None:
        """Why nothing of what is open may be measured in this job, None where it may."""
        now = self._measurer.origin()
        return None if now is None else self.job.origin.refusal(now)

    @property
    def change(self) -> Message | None:
        """What is open is another source than was measured before: in words; it is asked about."""
        now = self._measurer.origin()
        return None if now is None else self.job.origin.change(now)

    def accept_change(self) -> None:
        """Go on with the source that is open now."""
        now = self._measurer.origin()
        if now is not None:
            self.job.move_to(now)

    def measure(self) -> Message | None:
        """Begin the measurement that is asked for, unless it is under way.

        Returns why it cannot be, where it cannot; :attr:`change` can be accepted.
        """
        ask = self.job.ask
        if self.part is None and isinstance(ask, Measure):
            change = self.change
            question = None if change is None else fill(messages.GO_ON_ELSEWHERE, change)
            if (obstacle := self.refusal or question) is not None:
                return obstacle
            self._begin(ask)
        return None

    def _begin(self, ask: Measure) -> None:
        request = MeasurementRequest(ask.measurand, ask.turns, ask.track, ask.head)
        self._measurer.measure(request)
        self.part = 0.0

    def cancel(self) -> None:
        """Cancel the measurement under way."""
        if self.part is not None:
            self.part = None
            self._measurer.cancel_measurement()

    def poll(self) -> MeasurementProgress | None:
        """Return what is new of the measurement, None when nothing is; its result is the answer."""
        if self.part is None:
            return None
        progress = self._measurer.progress()
        if progress is None:
            self.part = None
            return MeasurementProgress(fault="The source was changed while it was measured.")
        if progress.measurement is not None:
            progress = self._take(progress, progress.measurement)
        elif progress.fault:
            self.cancel()
        elif progress.part == self.part:
            return None
        else:
            self.part = progress.part
        return progress

    def _take(self, progress: MeasurementProgress, found: Measurement) -> MeasurementProgress:
        """Answer with what was measured, unless that may not stand in this job."""
        reading, ask = found.reading, self.job.ask
        if self._again and isinstance(ask, Measure) and _has_moved(reading):
            self._again -= 1
            self._begin(ask)
            return MeasurementProgress(0.0)
        if reading is not None and reading.valid and reading.offset_um is not None:
            self._place_um = own(reading.offset_um, reading.balance)
        try:
            self.answer(found, progress.origin)
        except ValueError as fault:
            self.cancel()
            return MeasurementProgress(fault=str(fault))
        return progress

    def see(self, reading: Reading | None, at_s: float, now_s: float) -> bool:
        """Take the newest reading; returns whether it shows that the hand has done what was asked.

        The job is answered then. What *done* is waited for counts in samples that were looked
        through: an analysis that is late has not seen the hand yet.

        Parameters
        ----------
        reading : Reading or None
            None where there is none.
        at_s : float
            Up to when samples have been looked through, on a monotonic clock.
        now_s : float
            The time by that clock.
        """
        self.hand.tick(now_s)
        if reading is not None:
            self.hand.push(reading, at_s)
            self._watch_disk(reading)
        if self.line is not None and self.line.takes(self.job.ask):
            return False
        if self.hand.is_done or (self._said_done and self.hand.seen):
            # Nobody has said that the hand is off the drive.
            nudged = self.hand.has_nudged and not self._said_done
            self.answer(True)
            self._again = _MOST_AGAIN if nudged else 0
            return True
        if not self._said_done:
            return False
        if self._said_s is None:
            self._said_s = self._last_s = now_s
        elif self.hand.is_away and at_s - self._said_s < _AWAY_S:
            self._last_s = max(self._last_s, at_s)
        if self.doubt is not None or at_s - self._last_s < _PATIENCE_S:
            return False
        if self.hand.too_small:
            self.answer(True)
            return True
        self.doubt = self.hand.doubt
        return False

    def _watch_disk(self, reading: Reading) -> None:
        """Tell the job of a disk that stops, by its index, while it is not to be seated."""
        turns = of_analysis.INDEX_SILENT not in reading.notes
        ask = self.job.ask
        is_asked = isinstance(ask, Do) and ask.action in _SEATING
        if self._disk_turned and not turns and not is_asked:
            self.job.disk_has_stopped()
        self._disk_turned = turns

    def step(self) -> bool:
        """Let the line go on with what is asked; returns whether it has done it.

        The job is answered then.
        """
        if self.line is None or not self.line.tend(self.job.ask, self.hand.arrival):
            return False
        self.answer(True)
        return True

    def done(self) -> bool:
        """Let the hand say that it has done what is asked; returns whether that was seen.

        Else :meth:`see` waits for it a little, and then says so in :attr:`doubt`.
        """
        if not self.hand.watches or self.hand.seen:
            self.answer(True)
            return True
        self._said_done, self._said_s, self.doubt = True, None, None
        return False

    def insist(self) -> None:
        """Let the hand say so all the same; the record tells that nothing was seen."""
        self.answer(INSISTED)

    @property
    def awaits(self) -> bool:
        """Whether the hand has said that it is done, and nothing has been seen of it so far."""
        return self._said_done and self.doubt is None

    def answer(self, value: Answer, origin: Origin | None = None) -> None:
        """Answer what is asked.

        Raises
        ------
        ValueError
            When that is no answer; it is asked for as before.
        """
        at, ask = self.job.at, self.job.ask
        self.job.answer(value, origin)
        if self.line is not None and isinstance(ask, Do) and ask.stops:
            self.line.astray = False
        self._renew()
        self.follows = self.job.at == at and isinstance(self.job.ask, Measure)

    def undo(self) -> None:
        """Take back the last answer of the step in hand."""
        self.job.undo()
        self._renew()

    def skip(self, reason: str) -> None:
        """Leave out the step in hand."""
        self.job.skip(reason)
        self._renew()

    def take_up(self, index: int) -> None:
        """Take another step in hand; one that has been done is done again."""
        ended = self.job.steps[index].state in ENDED
        (self.job.repeat if ended else self.job.go_to)(index)
        self._renew()

    def aim_at(self, aim: Aim) -> None:
        """Have the head brought to another aim."""
        self.job.aim_at(aim)
        self._renew()

    def close(self, reason: str) -> None:
        """Close the job."""
        self.job.close(reason)
        self._renew()

    def _renew(self) -> None:
        """Go by what is asked now."""
        self.cancel()
        self.hand, self.follows = HandWatch(self.job, self._place_um), False
        self._said_done, self.doubt = False, None
        self._again = 0


def _has_moved(reading: Reading | None) -> bool:
    """Whether a reading tells that the head moved while it was taken."""
    notes = () if reading is None else reading.notes
    return any(note.text == of_analysis.HEAD_MOVED.text for note in notes)


class SourceReader:
    """Measures and watches for a job by reading an open source on, block by block."""

    def __init__(self, source: Source, profile: Profile, options: EnvelopeOptions) -> None:
        self._source = source
        self._profile = profile
        self._options = options
        self._blocks = source.blocks(_READ_S)
        self._run: MeasurementRun | None = None
        self._watching: AnyAnalyser | None = None

    def measure(self, request: MeasurementRequest) -> None:
        """Begin a measurement of what comes from now on, in place of one under way."""
        # What the input still holds from before belongs to what the hands did before.
        from_s = time.monotonic() if self._source.info.live else -inf
        self._run = MeasurementRun(request, self._profile, self._options, from_s)

    def progress(self) -> MeasurementProgress | None:
        """Return how far the measurement has come, None where there is none any more."""
        return None if self._run is None else self._run.progress

    def cancel_measurement(self) -> None:
        """Cancel the measurement under way, or forget its result."""
        self._run = None

    def origin(self) -> Origin | None:
        """Return where what is read comes from."""
        return origin_of(self._source, self._profile)

    def reopen(self) -> None:
        """Close the source and open it again; a measurement under way is cancelled.

        Raises
        ------
        SourceError
            When it cannot be opened.
        """
        self._run = None
        self._source.close()
        self._source.open()
        self._blocks = self._source.blocks(_READ_S)
        if self._watching is not None:
            self.watch(True)

    def watch(self, wanted: bool) -> None:
        """Analyse from now on what is read, anew, or stop that."""
        info = self._source.info
        options = self._options.where_fitting(info)
        self._watching = (
            analyser_for(info, self._profile, options, keep_all=False) if wanted else None
        )

    def read(self) -> tuple[Reading, float, float] | None:
        """Read the next block, if one comes; while watching, return what a runner is to see.

        That is the reading, the block's time, and the time by now.

        Raises
        ------
        SourceError
            When the source cannot be read, or is at its end with nothing to measure.
        """
        for block in self._blocks:
            if block is None:
                return None
            if self._run is not None:
                self._run.push(block, self._source)
            if self._watching is None:
                return None
            self._watching.push(block)
            # What is not live is read at any pace: its samples alone tell the time.
            now_s = time.monotonic() if self._source.info.live else block.t0_s
            return self._watching.reading, block.t0_s, now_s
        if self._run is None or self._run.ended:
            raise SourceEnd(f"source “{self._source.info.name}” is at its end")
        self._run.finish(self._source)
        return None
