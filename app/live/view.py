"""What screens see of an open source, frozen at one moment, and what has been found of it so far.

Threads: the *analysis* thread publishes to :class:`Newest`, and whoever teaches while it holds that
thread back; any thread asks for a view. Nobody holds the lock for long: a screen never waits for
the analysis.
"""

from __future__ import annotations

import statistics
import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.lobes.heights import invalid
from app.analysis.results import Message, Quantity, Reading, Trace
from app.stream.acquisition import Level, Phase, Status
from instruments.source import Block, Hidden, PracticeControls, Role, SourceInfo

KEPT_S = 60.0
APART_S = 0.01
"""Places closer than this are one place on the screen: the newer goes before the older."""
BROKEN_S = 1.0
"""Where nothing came for so long, the line is broken."""

_MAX_PLACES = 2 * round(KEPT_S / APART_S)
_ROOM = 2 * _MAX_PLACES


class Strip:
    """Times and balances, the oldest forgotten after a minute; memory never grows."""

    def __init__(self) -> None:
        self._kept = np.empty((2, _ROOM))
        self._start = self._end = 0

    def add(self, time_s: float, balance: float) -> None:
        """Take a balance, NaN where there is no valid one.

        A lobe's reading is of a moment a little before that of a parked one: a time that would go
        back stands still.
        """
        times_s = self._kept[0]
        count = self._end - self._start
        if count:
            time_s = max(time_s, float(times_s[self._end - 1]))
        if count and time_s - times_s[self._end - 1] > BROKEN_S:
            self._append(times_s[self._end - 1], np.nan)
        elif count > 1 and self._crowds(time_s, balance):
            self._end -= 1
        self._append(time_s, balance)
        kept_s = times_s[self._start : self._end]
        self._start += int(np.searchsorted(kept_s, time_s - KEPT_S))

    def copy(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return times and balances, float64, shape (n,) each."""
        times_s, balances = self._kept[:, self._start : self._end].copy()
        return times_s, balances

    def _crowds(self, time_s: float, balance: float) -> bool:
        """Tell whether the newest entry may go for the next: close by, and no break is lost."""
        times_s, balances = self._kept
        near = time_s - times_s[self._end - 2] < APART_S
        return near and np.isnan(balances[self._end - 1]) == np.isnan(balance)

    def _append(self, time_s: float, balance: float) -> None:
        if self._end == _ROOM:
            kept = self._kept[:, max(self._start, self._end - _MAX_PLACES) : self._end].copy()
            self._start, self._end = 0, kept.shape[1]
            self._kept[:, : self._end] = kept
        self._kept[:, self._end] = time_s, balance
        self._end += 1


_KEPT = 6
_STALE_SWEEP_S = 3.0
"""A scope may well give but one record a second."""
_INTERVALS = 2.5
"""When a record arrives it is already old; it stands until the next one has arrived."""
_MAX_STALE_S = 60.0
_LATE = 2.0


class Pace:
    """Arrival times of the newest records."""

    def __init__(self) -> None:
        self._arrivals_s: deque[float] = deque(maxlen=_KEPT)

    def add(self, time_s: float) -> None:
        """Take the monotonic time at which a record came."""
        self._arrivals_s.append(time_s)

    def records_a_second(self, now_s: float) -> float | None:
        """Return how often they come; it falls while the next one does not. None before two."""
        usual_s = self._usual_s()
        if usual_s is None:
            return None
        waiting_s = now_s - self._arrivals_s[-1]
        return 1.0 / (waiting_s if waiting_s > _LATE * usual_s else usual_s)

    def stale_after_s(self) -> float:
        """Return the age beyond which a reading is no longer to be shown."""
        usual_s = self._usual_s() or 0.0
        return min(max(_STALE_SWEEP_S, _INTERVALS * usual_s), _MAX_STALE_S)

    def _usual_s(self) -> float | None:
        """Return the median from one to the next: one that was long in coming does not count."""
        if len(self._arrivals_s) < 2:
            return None
        return max(statistics.median(b - a for a, b in pairwise(self._arrivals_s)), 1e-3)


STALE_AFTER_S = 0.5
"""A reading of a continuous source that is older than this is not shown."""
SILENT_AFTER_S = 0.25
"""Nor is one of a source that has given nothing for so long: with a lobe's and a screen's time a
needle then parks within 0.3 s of a source's end."""
_WAITS = 64
"""Blocks are taken in steps; of a source that gives large pieces so many are several of those."""
_LATER = 2.0


class BlockPace:
    """Arrival times of a continuous source's blocks: some give seldom, and then much."""

    def __init__(self) -> None:
        self._waits_s: deque[float] = deque(maxlen=_WAITS)
        self._last_s: float | None = None

    def add(self, now_s: float) -> None:
        """Take the monotonic time at which a block was given to the analysis."""
        if self._last_s is not None:
            self._waits_s.append(now_s - self._last_s)
        self._last_s = now_s

    def has_stopped(self, now_s: float) -> bool:
        """Return whether the next block is overdue."""
        return self._last_s is not None and now_s - self._last_s > self.silent_after_s()

    def silent_after_s(self) -> float:
        """Return the source's own bound: a quarter of a second, or twice the time that it takes.

        The longest wait is left out: one stall says nothing of the next.
        """
        usual_s = sorted(self._waits_s)[-2] if len(self._waits_s) > 1 else 0.0
        return min(max(SILENT_AFTER_S, _LATER * usual_s), _MAX_STALE_S)


@dataclass(frozen=True, slots=True)
class View:
    """All that a screen shows, frozen at one moment.

    Attributes
    ----------
    phase : Phase
        The source's state.
    message : str
        One sentence about the state: what failed and the mend; empty when all is well.
    source : str
        The address.
    virtual : bool
        True when the samples come from the virtual drive.
    roles : tuple of str
        One a channel.
    roles_from : str
        Who named them: ``"given"`` by the user, the capture ``"file"`` itself, or ``"default"``;
        empty before the source is open.
    sample_rate_hz : float
        Frames a second, 0 before the source is open.
    reading : Reading or None
        The newest reading, valid or not.
    analysed : tuple of (Reading, float)
        The last of them as the analysis gave them, however old by now, and when each one's newest
        sample was taken: for what goes by the samples' time, and must not miss one.
    reading_at_s : float
        Monotonic time at which the reading's newest sample was taken; the age counts from it.
    moving : Quantity or None
        Balance by the lobe under way, where the head has left the reading's: for the needle alone,
        no verdict and no record is made of it.
    trace : Trace or None
        The newest whole turn.
    locked : bool
        The revolution is known and followed.
    levels : tuple of Level
        One a channel, over the last half second.
    advice : tuple of Message
        What the session concludes from the state: a low level's likely cause, teaching needed.
    strip_s, strip_balance : numpy.ndarray
        float64, shape (n,): monotonic times and balances of the last minute; NaN where there
        was no valid reading.
    frames, lost_frames : int
        Frames delivered and frames known to be lost since the source was opened.
    notes : tuple of str
        What the source itself has to say.
    teaching : bool
        A teaching of the sign is under way.
    settings : tuple of (str, str)
        The instrument's settings as it told them last: name, and value with its unit.
    records_a_second : float or None
        How often separate records come; None for a continuous source, and before the second one.
    whole : bool
        The reading is of all turns of a capture that has ended, and not of the last one alone.
    paused : bool
        A capture stands still; the times of reading and strip go with the clock.
    stale_after_s : float
        Age beyond which a reading of this source is not shown any more.
    """

    phase: Phase = Phase.CLOSED
    message: str = ""
    source: str = ""
    virtual: bool = False
    roles: tuple[str, ...] = ()
    roles_from: str = ""
    sample_rate_hz: float = 0.0
    reading: Reading | None = None
    analysed: tuple[tuple[Reading, float], ...] = ()
    reading_at_s: float = 0.0
    moving: Quantity | None = None
    trace: Trace | None = None
    locked: bool = False
    levels: tuple[Level, ...] = ()
    strip_s: NDArray[np.float64] | None = None
    strip_balance: NDArray[np.float64] | None = None
    frames: int = 0
    lost_frames: int = 0
    advice: tuple[Message, ...] = ()
    notes: tuple[str, ...] = ()
    teaching: bool = False
    settings: tuple[tuple[str, str], ...] = ()
    records_a_second: float | None = None
    whole: bool = False
    paused: bool = False
    stale_after_s: float = STALE_AFTER_S


def reading_age_s(view: View, now_s: float) -> float | None:
    """Return the age of the newest reading, None where there is none."""
    return None if view.reading is None else max(0.0, now_s - view.reading_at_s)


_LONGEST_LAG_S = 4.0
"""No analysis of a continuous source is so far behind it: what is so old has no successor."""


def looked_through(
    view: View, after_s: float, now_s: float
) -> tuple[tuple[Reading | None, float], ...]:
    """Return what has been looked through since a moment: readings, and when each was taken.

    The newest comes in any case, however late; where nothing comes any more that is none, and now.
    """
    latest_s = now_s - max(_LONGEST_LAG_S, view.stale_after_s)
    if view.phase is not Phase.RUNNING or view.reading_at_s <= latest_s:
        return ((None, now_s),)
    new = tuple(each for each in view.analysed if each[1] > after_s)
    return new or view.analysed[-1:]


@dataclass(frozen=True, slots=True)
class Listed:
    """A source that can be opened now: its address, and words for a list."""

    address: str
    title: str


@dataclass(frozen=True, slots=True)
class Listing:
    """What can be opened now, and sentences about what is there and cannot be used as it is."""

    sources: tuple[Listed, ...] = ()
    hints: tuple[str, ...] = ()


Truth = Hidden
"""What a drive of the practice bench hides, as the window tells it once the job is closed."""
Controls = PracticeControls
"""The hands at the virtual drive, as the screens use them."""


_LOW_PART = 0.01
"""Of the full scale; where that is not known, volts are taken as parts of 1 V."""

LOW_LEVEL = Message(
    "the level is low: a ×10 probe into a line input, the wrong input, or an input that is muted"
)
NO_LEVEL = Message("no level at all: the input is muted, or nothing is connected to it")
LOW_LEVEL_KEPT = Message("the level is low: record again with more gain or a ×1 probe")
NO_LEVEL_KEPT = Message("no level at all: the capture is silent; check the input and record again")
LOW_LEVEL_VIRTUAL = Message("the level is low: the virtual drive's amplitude_v is set so")
PHASES_UNLIKE = Message(
    "{0} is {1} times as strong as {2}: one of them may carry something else, such as the index; "
    "F2 shows what each channel carries"
)
_UNLIKE = 10.0
"""Of two phases of one signal, by probes that differ as much as ×1 and ×10 do."""


def advice_on(levels: Sequence[Level], info: SourceInfo) -> tuple[Message, ...]:
    """Return the likely cause of a signal that cannot be read; empty where levels tell none.

    Parameters
    ----------
    levels : sequence of Level
        One a channel; the index does not count.
    info : SourceInfo
        Of the source that they come from.
    """
    parts = [
        level.peak_v if level.of_full_scale is None else level.of_full_scale
        for level in levels
        if level.role != Role.INDEX
    ]
    if not parts:
        return ()
    if max(parts) >= _LOW_PART:
        return _unlike(levels)
    silent = max(parts) == 0.0
    if info.length_frames is not None:
        return (NO_LEVEL_KEPT if silent else LOW_LEVEL_KEPT,)
    if info.virtual:
        return (LOW_LEVEL_VIRTUAL,)
    return (NO_LEVEL if silent else LOW_LEVEL,)


def _unlike(levels: Sequence[Level]) -> tuple[Message, ...]:
    """Return that two phases cannot be of one signal, by their levels; empty where they can.

    A silent one is no sign of that: one phase is enough.
    """
    phases = sorted(
        (each for each in levels if each.role in (Role.PLUS, Role.MINUS)),
        key=lambda each: each.peak_v,
    )
    if len(phases) != 2 or not phases[0].peak_v > 0.0:
        return ()
    weak, strong = phases
    times = strong.peak_v / weak.peak_v
    if times < _UNLIKE:
        return ()
    return (messages.fill(PHASES_UNLIKE, strong.role, f"{times:.0f}", weak.role),)


FAULT = Message("a fault in the program, and the analysis began anew: {0}")
BEHIND = Message(
    "this computer cannot keep up: the analysis is {0} s behind; "
    "close other programs, or lower the sample rate"
)
LOSING = Message(
    "this computer cannot keep up: {0} % of the samples were lost; "
    "close other programs, or lower the sample rate"
)

_WATCHED_S = 1.0
_OVERLOADED_S = 0.5
"""For so long after the last loss no reading is shown: the next loss may be on its way."""
_BEHIND_S = 0.25


class Losses:
    """Frames of the last second that the analysis was given, and that it missed."""

    def __init__(self) -> None:
        self._missed_before = 0
        self._lost_at_s = -np.inf
        self._counts: deque[tuple[float, int, int]] = deque()

    def add(self, given: int, missed_in_all: int, now_s: float) -> None:
        """Take how many frames were given at `now_s`, and how many have been missed by then."""
        missed, self._missed_before = missed_in_all - self._missed_before, missed_in_all
        if missed:
            self._lost_at_s = now_s
        self._counts.append((now_s, given, missed))
        while self._counts[0][0] < now_s - _WATCHED_S:
            self._counts.popleft()

    def reason(self, now_s: float, behind_s: float, *, late: bool) -> Message | None:
        """Return why this computer is too slow for a reading, None where it is not.

        Parameters
        ----------
        behind_s : float
            What waits to be analysed, in seconds of samples.
        late : bool
            The newest reading is too old.
        """
        if now_s - self._lost_at_s <= _OVERLOADED_S:
            missed = sum(each for _, _, each in self._counts)
            part = missed / (missed + sum(each for _, each, _ in self._counts))
            return messages.fill(LOSING, f"{100.0 * part:.0f}")
        return messages.fill(BEHIND, f"{behind_s:.1f}") if late and behind_s > _BEHIND_S else None


_MOST_ANALYSED = 256
"""Readings that are kept for who looks seldom: those of some seconds."""
_SETTLED_S = 0.5
"""Inputs begin with silence: levels are judged once so much has come."""


class Newest:
    """The newest of all that the analysis has found."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        # All written under the lock, by whoever holds the analysis:
        self._reading: Reading | None = None
        self._reading_at_s = 0.0
        self._analysed: deque[tuple[Reading, float]] = deque(maxlen=_MOST_ANALYSED)
        self._lost: Message | None = None
        self._trace: Trace | None = None
        self._locked = False
        self._teaching = False
        self._moving: Quantity | None = None
        self._strip = Strip()
        self._pace = Pace()
        self._flow = BlockPace()
        self._losses = Losses()
        self._fault: Message | None = None
        self._whole = False

    def publish_whole(self, reading: Reading) -> None:
        """Let everybody see the reading over all of a capture that has ended."""
        with self._lock:
            self._reading, self._moving, self._whole = reading, None, True

    def publish(self, *, locked: bool, teaching: bool, moving: Quantity | None = None) -> None:
        """Let everybody see the state of the analysis."""
        with self._lock:
            self._locked, self._teaching, self._moving = locked, teaching, moving

    def publish_reading(self, reading: Reading, at_s: float, trace: Trace | None) -> None:
        """Let everybody see a new reading, whose newest sample was taken at `at_s`."""
        if self._fault is not None and messages.WAITING in reading.reasons:
            reading = invalid(replace(reading, reasons=()), self._fault)
        balance = reading.balance if reading.valid else None
        lost = self._lost
        analysed = reading if lost is None else invalid(replace(reading, reasons=()), lost)
        with self._lock:
            self._reading, self._reading_at_s, self._trace = reading, at_s, trace
            self._analysed.append((analysed, at_s))
            self._strip.add(at_s, np.nan if balance is None else balance.value)

    def publish_fault(self, fault: Message, at_s: float) -> None:
        """Let everybody see that the program failed with what was sampled at `at_s`."""
        self._fault = fault
        self.publish(locked=False, teaching=False)
        self.publish_reading(invalid(Reading(valid=False), fault), at_s, None)

    def count(self, block: Block, missed_frames: int, now_s: float) -> bool:
        """Note that the analysis is given a block, and the frames that it has missed so far.

        Returns
        -------
        bool
            Whether it comes after a pause for which the needle has parked.
        """
        with self._lock:
            has_stopped = self._flow.has_stopped(now_s)
            self._losses.add(len(block.samples_v), missed_frames, now_s)
            self._lost = self._losses.reason(now_s, 0.0, late=False)
            self._flow.add(now_s)
        return has_stopped

    def count_record(self, now_s: float) -> None:
        """Note that a separate record has come."""
        with self._lock:
            self._pace.add(now_s)

    def view(self, begun: View, status: Status, info: SourceInfo | None, now_s: float) -> View:
        """Return what screens see of a source that is open.

        Parameters
        ----------
        begun : View
            With its phase, message, source, settings, and notes beside the source's own.
        status : Status
            Of the acquisition.
        info : SourceInfo or None
            Of the source, once it may be shown.
        now_s : float
            Monotonic time.
        """
        with self._lock:
            reading, reading_at_s, trace = self._reading, self._reading_at_s, self._trace
            analysed = tuple(self._analysed)
            locked, teaching, moving = self._locked, self._teaching, self._moving
            strip_s, strip_balance = self._strip.copy()
            records_a_second = self._pace.records_a_second(now_s)
            slow_after_s = self._pace.stale_after_s()
            has_stopped = self._flow.has_stopped(now_s)
            fault, whole = self._fault, self._whole
        phase = begun.phase
        stale_after_s = STALE_AFTER_S if info is None or info.continuous else slow_after_s
        # A capture's last reading stands; what was live had a hand at it, which goes on.
        stands = phase is Phase.ENDED and not (info and info.live)
        gone = phase in (Phase.LOST, Phase.FAILED)
        late = now_s - reading_at_s > stale_after_s
        if info is not None and info.live and info.continuous:
            late |= has_stopped
        current = stands or not (gone or late)
        slow = None
        if info is not None and info.live and info.continuous:
            behind_s = status.waiting_frames / info.sample_rate_hz
            with self._lock:
                slow = self._losses.reason(now_s, behind_s, late=not current)
        if slow or (reading is not None and not current):
            kept = replace(reading or Reading(valid=False), reasons=())
            reading = invalid(kept, slow or messages.STALE)
        heard = phase in (Phase.RUNNING, Phase.ENDED)
        parked = heard and not (reading and reading.valid)
        judged = info if parked and info and _has_settled(status.frames, info) else None
        return replace(
            begun,
            virtual=info.virtual if info else False,
            roles=tuple(info.roles) if info else (),
            roles_from=info.roles_from if info else "",
            sample_rate_hz=info.sample_rate_hz if info else 0.0,
            reading=reading,
            analysed=analysed,
            reading_at_s=reading_at_s,
            moving=moving if reading is not None and reading.valid else None,
            trace=trace,
            locked=locked and current,
            levels=status.levels if info else (),
            strip_s=strip_s,
            strip_balance=strip_balance,
            frames=status.frames,
            lost_frames=status.lost_frames,
            advice=advice_on(status.levels, judged) if judged else (),
            notes=(*(info.notes if info else ()), *begun.notes, *([str(fault)] if fault else [])),
            teaching=teaching,
            whole=whole,
            records_a_second=records_a_second if phase is Phase.RUNNING else None,
            stale_after_s=stale_after_s,
        )


def _has_settled(frames: int, info: SourceInfo) -> bool:
    whole = info.length_frames is not None and frames >= info.length_frames
    return whole or frames >= _SETTLED_S * info.sample_rate_hz
