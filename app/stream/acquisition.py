"""What the acquisition keeps beside the samples: levels, and the time of each frame.

Neither class locks: :mod:`app.stream.acquisition` guards them.

What an acquisition makes of the blocks: the ring, the counts, the levels and the times.

Threads: the acquisition thread calls ``prepare``, ``take`` and ``close``; any thread may call the
rest. The ring guards itself, all else is guarded by one lock.

One thread that opens a source, reads it, and fills the ring.

Threads: the *acquisition* thread, one for each :class:`Acquisition`, is the only one that opens
and reads the source and writes the ring, the meters and the state. Any other thread may call
``start``, ``stop``, ``status``, ``time_of`` and the waits, and takes samples from the ring. A
third, *acquisition-closer*, lives only where ``stop`` must close a source whose read hangs.

States::

    closed -> opening -> running -> ended     the source has given all that it holds
                 |       |  ^  |
                 |       v  |  +--> closed    stopped
                 |       lost                 closed and opened again until it is back
                 |        |
                 +--------+-------> failed    it could not be opened or cannot be read, or the
                                              program is at fault; ``error`` holds the exception
"""

from __future__ import annotations

import math
import threading
import time
from bisect import bisect_right
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from app.stream.ring import Ring
from instruments.source import (
    Block,
    Source,
    SourceError,
    SourceInfo,
    SourceLost,
    SourceTimeout,
    SourceUnavailable,
)

_LEVEL_SPAN_S = 0.5
# Eight-bit converters reach only 127/128 of full scale on the positive side.
_NEAR_FULL_SCALE = 0.99
# Rows folded into one before the maximum is taken: numpy is slow along short rows.
_FOLD = 64


@dataclass(frozen=True, slots=True)
class ChannelLevel:
    """How strong one channel was over the last half second of samples.

    Attributes
    ----------
    peak_v : float
        Largest magnitude, in volts; samples that are not a number are left out.
    clipped : bool
        It reached the full scale, or the device said that it clipped.
    """

    peak_v: float
    clipped: bool


def peaks(samples_v: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the largest magnitude of each column.

    Parameters
    ----------
    samples_v : numpy.ndarray
        float32, shape (frames, channels), C-contiguous, in volts.

    Returns
    -------
    numpy.ndarray
        float32, shape (channels,); 0 where there is no number.
    """
    frames, channels = samples_v.shape
    largest = np.zeros(channels, np.float32)
    whole = frames - frames % _FOLD
    folded = samples_v[:whole].reshape(-1, _FOLD * channels)
    for part, width in ((folded, _FOLD), (samples_v[whole:], 1)):
        if len(part):
            extremes = np.fmax(np.fmax.reduce(part), -np.fmin.reduce(part))
            largest = np.fmax(largest, np.fmax.reduce(extremes.reshape(width, channels)))
    return largest


class LevelMeter:
    """Peaks of the last half second.

    Parameters
    ----------
    channels : int
        Columns of a frame.
    full_scale_v : float or None
        Volts at which the input clips, when known.
    """

    def __init__(self, channels: int, full_scale_v: float | None) -> None:
        self._channels = channels
        self._full_scale_v = full_scale_v
        self._kept: deque[tuple[int, NDArray[np.float32], NDArray[np.bool_]]] = deque()

    def add(self, block: Block, peaks_v: NDArray[np.float32], end_index: int) -> None:
        """Take in one block's peaks; `end_index` is the absolute index of the frame after it."""
        self._kept.append((end_index, peaks_v, self._clipped(block.clipped, peaks_v)))
        oldest = end_index - _LEVEL_SPAN_S * block.sample_rate_hz
        while self._kept[0][0] <= oldest and len(self._kept) > 1:
            self._kept.popleft()

    def levels(self) -> tuple[ChannelLevel, ...]:
        """Return one level a channel; empty before the first block."""
        if not self._kept:
            return ()
        peak_v = np.max([peaks_v for _, peaks_v, _ in self._kept], axis=0)
        clipped = np.any([flags for _, _, flags in self._kept], axis=0)
        return tuple(
            ChannelLevel(float(peak_v[column]), bool(clipped[column]))
            for column in range(self._channels)
        )

    def _clipped(self, said: bool, peaks_v: NDArray[np.float32]) -> NDArray[np.bool_]:
        """Tell which channels clipped; a device says only that one of them did."""
        everywhere = np.full(self._channels, said)
        if self._full_scale_v is None:
            return everywhere
        if not said:
            return peaks_v >= self._full_scale_v
        near = peaks_v >= _NEAR_FULL_SCALE * self._full_scale_v
        return near if near.any() else everywhere


class FrameTimes:
    """Maps an absolute frame index to monotonic time by the blocks' own times."""

    def __init__(self) -> None:
        self._kept: list[tuple[int, float, float]] = []

    def add(self, first_index: int, t0_s: float, sample_rate_hz: float) -> None:
        """Take in a block whose first frame, `first_index`, was taken at `t0_s`."""
        self._kept.append((first_index, t0_s, sample_rate_hz))

    def forget_before(self, index: int) -> None:
        """Drop what only serves frames before `index`."""
        spare = bisect_right(self._kept, index, key=_first_index) - 1
        # In bulk, because dropping from the front of a list moves all that follows.
        if spare > len(self._kept) // 2:
            del self._kept[:spare]

    def time_of(self, index: int) -> float:
        """Return the monotonic time of a frame, in seconds.

        Raises
        ------
        LookupError
            Before the first block.
        """
        if not self._kept:
            raise LookupError("no block has come yet")
        place = max(0, bisect_right(self._kept, index, key=_first_index) - 1)
        first_index, t0_s, sample_rate_hz = self._kept[place]
        return t0_s + (index - first_index) / sample_rate_hz


def _first_index(entry: tuple[int, float, float]) -> int:
    return entry[0]


_BYTES_A_SAMPLE = 2 * 4  # float32, written twice
_ROOM_WAIT_S = 0.1


@dataclass(frozen=True, slots=True)
class Marks:
    """What a block says of all of its frames, or of its first.

    Attributes
    ----------
    extremes, at_index, clipped : bool
        As :class:`~instruments.source.Block` has them.
    """

    extremes: bool = False
    at_index: bool = False
    clipped: bool = False


@dataclass(frozen=True, slots=True)
class Taken:
    """What has come in so far.

    Attributes
    ----------
    info : SourceInfo or None
        What is known of the source once it has been open.
    frames, lost_frames : int
        Frames written to the ring; frames that the source knows to have lost. What it would
        have given while it was away is not counted.
    levels : tuple of ChannelLevel
        One a channel, over the last half second of samples; empty before the first block.
    """

    info: SourceInfo | None
    frames: int
    lost_frames: int
    levels: tuple[ChannelLevel, ...]


class Intake:
    """Puts the blocks of one source, opened once or many times, on one axis of frame indices.

    Parameters
    ----------
    ring_seconds : float
        History kept, by the source's nominal rate.
    ring_bytes : int
        Upper limit of the ring's memory, which goes before `ring_seconds`.
    backpressure : bool
        Wait until the reader has released frames rather than overwrite them, unless the source
        is live.
    """

    def __init__(self, ring_seconds: float, ring_bytes: int, backpressure: bool) -> None:
        self._ring_seconds = ring_seconds
        self._ring_bytes = ring_bytes
        self._backpressure = backpressure
        # Used by the acquisition thread only:
        self._base_index = 0
        self._gap_pending = False
        self._waits = backpressure
        # Written by the acquisition thread only, under the lock:
        self._lock = threading.Lock()
        self._ring: Ring | None = None
        self._meter: LevelMeter | None = None
        self._times = FrameTimes()
        self._marks: dict[int, Marks] = {}
        self._info: SourceInfo | None = None
        self._frames = 0
        self._lost_frames = 0

    @property
    def ring(self) -> Ring | None:
        """The ring, from the first :meth:`prepare` on."""
        with self._lock:
            return self._ring

    def taken(self) -> Taken:
        """Return what has come in so far."""
        with self._lock:
            levels = self._meter.levels() if self._meter else ()
            return Taken(self._info, self._frames, self._lost_frames, levels)

    def time_of(self, index: int) -> float:
        """Return the monotonic time of a frame, in seconds.

        Raises
        ------
        LookupError
            Before the first block.
        """
        with self._lock:
            return self._times.time_of(index)

    def marks_at(self, index: int) -> Marks:
        """Return the marks of the block that begins at `index`; none where no block begins."""
        with self._lock:
            return self._marks.get(index, Marks())

    def prepare(self, info: SourceInfo) -> None:
        """Make ready for the blocks of a source that has just been opened.

        Raises
        ------
        SourceError
            When it came back as another than it was.
        """
        with self._lock:
            if self._ring is None:
                self._ring = Ring(self._capacity(info), len(info.roles))
                self._meter = LevelMeter(len(info.roles), info.full_scale_v)
            elif self._info is not None and _kind(info) != _kind(self._info):
                raise SourceError(
                    f"{info.name}: it came back with other channels or another sample rate "
                    f"({info.sample_rate_hz:g} Hz); open it anew"
                )
            else:
                self._base_index = self._ring.end_index
                self._gap_pending = True
            self._info = info
            self._waits = self._backpressure and not info.live

    def take(self, block: Block, stop: threading.Event) -> None:
        """Write one block, waiting for room where the reader is waited for, until `stop`."""
        ring, meter = self._ring, self._meter
        if ring is None or meter is None:
            raise RuntimeError("a block came before the source was open")
        gap_before = block.gap_before or self._gap_pending
        self._gap_pending = gap_before and len(block.samples_v) == 0
        if len(block.samples_v) == 0:
            return
        first_index = self._base_index + block.first_index
        end_index = first_index + len(block.samples_v)
        lost_frames = first_index - ring.end_index
        peaks_v = peaks(block.samples_v)
        with self._lock:
            # Before the frames, so that whoever sees a frame can ask for its time.
            self._times.add(first_index, block.t0_s, block.sample_rate_hz)
            self._times.forget_before(ring.oldest_index)
            self._mark(block, first_index, ring.oldest_index)
            meter.add(block, peaks_v, end_index)
            self._lost_frames += max(0, lost_frames)
        if not self._waits:
            self._write(ring, block, slice(None), gap_before)
            return
        done = 0
        while done < len(block.samples_v) and not stop.is_set():
            room = ring.wait_for_room(first_index + done, _ROOM_WAIT_S)
            if room:
                self._write(ring, block, slice(done, done + room), gap_before and done == 0)
                done += room

    def _mark(self, block: Block, first_index: int, oldest_index: int) -> None:
        marks = Marks(block.extremes, block.at_index, block.clipped)
        if marks != Marks():
            self._marks[first_index] = marks
        for index in [index for index in self._marks if index < oldest_index]:
            del self._marks[index]

    def close(self) -> None:
        """Tell the reader that nothing more comes."""
        if self._ring is not None:
            self._ring.close()

    def _write(self, ring: Ring, block: Block, part: slice, gap_before: bool) -> None:
        samples_v = block.samples_v[part]
        first_index = self._base_index + block.first_index + (part.start or 0)
        ring.write(samples_v, first_index, gap_before)
        with self._lock:
            self._frames += len(samples_v)

    def _capacity(self, info: SourceInfo) -> int:
        wanted = math.ceil(self._ring_seconds * info.sample_rate_hz)
        allowed = self._ring_bytes // (_BYTES_A_SAMPLE * len(info.roles))
        return max(1, min(wanted, allowed))


def _kind(info: SourceInfo) -> tuple[object, ...]:
    return info.roles, info.sample_rate_hz


_STOP_WITHIN_S = 2.0
_READING_GRACE_S = 1.0
# What a source says that may be back soon, once it has been open.
_AWAY = (SourceLost, SourceTimeout, SourceUnavailable)


class State(StrEnum):
    """Where the acquisition is in its life."""

    CLOSED = "closed"
    """Not started yet, or stopped before the source came to an end."""
    OPENING = "opening"
    RUNNING = "running"
    LOST = "lost"
    """The source went away; it is opened again until it is back."""
    ENDED = "ended"
    """A finite source has been read to its end."""
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Timing:
    """How long the acquisition waits, and by which clock.

    Attributes
    ----------
    read_timeout_s : float
        Longest wait in one read; a stop takes about as long.
    retry_s : float
        Pause before a lost source is opened again.
    clock : callable
        Monotonic time in seconds.
    sleep : callable or None
        Waits the seconds given; None waits for the stop, so that a stop ends the pause.
    """

    read_timeout_s: float = 0.2
    retry_s: float = 1.0
    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], object] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Status(Taken):
    """The acquisition at one moment: its state, and what has come in.

    Attributes
    ----------
    state : State
        Where it is in its life.
    message : str
        One sentence about a state that is not as it should be, else empty.
    """

    state: State
    message: str


class Acquisition:
    """Reads one source into a ring until the source ends or fails, or until a stop. Used once.

    Parameters
    ----------
    source : Source
        Closed; it belongs to the acquisition from :meth:`start` on.
    ring_seconds : float
        History kept, by the source's nominal rate.
    ring_bytes : int
        Upper limit of the ring's memory, which goes before `ring_seconds`.
    backpressure : bool
        Wait until the reader has released frames rather than overwrite them, unless the source is
        live: a capture is to be read whole. The reader must not wait for more frames than the
        ring keeps. Otherwise the newest frames win, and the reader is told what it lost.
    timing : Timing, optional
        Waits and clock.
    """

    def __init__(
        self,
        source: Source,
        *,
        ring_seconds: float,
        ring_bytes: int = 512 << 20,
        backpressure: bool = False,
        timing: Timing | None = None,
    ) -> None:
        self._source = source
        self._intake = Intake(ring_seconds, ring_bytes, backpressure)
        self._timing = timing or Timing()
        self._thread = threading.Thread(target=self._run, name="acquisition", daemon=True)
        # Set by whoever stops:
        self._stop = threading.Event()
        # Set by the acquisition thread only:
        self._reading_done = threading.Event()
        # Written by the acquisition thread only, under the condition:
        self._changed = threading.Condition()
        self._state = State.CLOSED
        self._message = ""
        self._error: Exception | None = None

    @property
    def ring(self) -> Ring | None:
        """The ring, once the source has been open."""
        return self._intake.ring

    @property
    def error(self) -> Exception | None:
        """What made it fail: a SourceError, or the exception of a fault in the program."""
        with self._changed:
            return self._error

    def status(self) -> Status:
        """Return a snapshot."""
        taken = self._intake.taken()
        with self._changed:
            return Status(
                state=self._state,
                message=self._message,
                info=taken.info,
                frames=taken.frames,
                lost_frames=taken.lost_frames,
                levels=taken.levels,
            )

    def time_of(self, index: int) -> float:
        """Return the monotonic time at which a frame was taken, in seconds.

        Raises
        ------
        LookupError
            Before the first block.
        """
        return self._intake.time_of(index)

    def marks_at(self, index: int) -> Marks:
        """Return what is said of the block that begins at a frame."""
        return self._intake.marks_at(index)

    def start(self) -> None:
        """Open the source in the background.

        Raises
        ------
        RuntimeError
            When it was started before.
        """
        self._thread.start()

    def wait_for_ring(self, timeout_s: float) -> Ring | None:
        """Wait until the source is open; None on time-out or when it will not be."""
        with self._changed:
            self._changed.wait_for(lambda: self.ring or self._reading_done.is_set(), timeout_s)
        return self.ring

    def stop(self) -> bool:
        """Stop reading and close the source, within two seconds. May be called again.

        Returns
        -------
        bool
            False when the source holds its thread past that; the thread ends when it lets go.
        """
        self._stop.set()
        if self._thread.ident is None:
            return True
        deadline_s = time.monotonic() + _STOP_WITHIN_S
        if not self._reading_done.wait(_READING_GRACE_S):
            closing = self._source.close
            threading.Thread(target=closing, name="acquisition-closer", daemon=True).start()
        self._thread.join(max(0.0, deadline_s - time.monotonic()))
        return not self._thread.is_alive()

    def join_and_raise(self, timeout_s: float) -> bool:
        """Wait for the end without asking for it.

        Returns
        -------
        bool
            Whether it has come to its end.

        Raises
        ------
        Exception
            What made it fail, if it failed.
        """
        self._thread.join(timeout_s)
        if self.error is not None:
            raise self.error
        return not self._thread.is_alive()

    def _run(self) -> None:
        try:
            self._become(State.ENDED if self._acquire() else State.CLOSED)
        except SourceError as fault:
            # A source that is closed under its read may complain of that in any of these ways.
            if self._stop.is_set():
                self._become(State.CLOSED)
            else:
                self._become(State.FAILED, str(fault), fault)
        except Exception as fault:
            self._become(State.FAILED, _words_for(fault), fault)
        self._intake.close()
        with self._changed:
            self._reading_done.set()
            self._changed.notify_all()
        try:
            self._source.close()
        except Exception as fault:
            # An earlier failure goes before that of the closing, which often follows from it.
            if self._state is not State.FAILED:
                self._become(State.FAILED, _words_for(fault), fault)

    def _become(self, state: State, message: str = "", error: Exception | None = None) -> None:
        with self._changed:
            self._state, self._message, self._error = state, message, error
            self._changed.notify_all()

    def _acquire(self) -> bool:
        """Read until the source has come to its end, or the stop; return whether it has."""
        if self._stop.is_set():
            return False
        self._become(State.OPENING)
        self._open()
        while not self._stop.is_set():
            try:
                if self._state is State.LOST:
                    self._open()
                return self._read_on()
            except _AWAY as fault:
                self._become(State.LOST, str(fault))
                self._source.close()
                (self._timing.sleep or self._stop.wait)(self._timing.retry_s)
        return False

    def _open(self) -> None:
        self._source.open()
        self._intake.prepare(self._source.info)
        self._become(State.RUNNING)

    def _read_on(self) -> bool:
        for block in self._source.blocks(self._timing.read_timeout_s, self._timing.clock):
            if block is not None:
                self._intake.take(block, self._stop)
            if self._stop.is_set():
                return False
        return True


def _words_for(fault: Exception) -> str:
    return (
        f"the reading ended by a fault in the program ({type(fault).__name__}: {fault}); "
        "open the source again, and report the fault if it returns"
    )
