"""The thread that opens a source, reads it, and fills the ring; the levels of the last half second.

Threads: the *acquisition* thread, one for each :class:`Acquisition`, is the only one that opens
and reads the source and writes the ring, the levels and the phase. Any other thread may call
``start``, ``stop``, ``status`` and the waits; one takes blocks from the ring. A third,
*acquisition-closer*, lives only where ``stop`` must close a source whose read hangs.

Phases::

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
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from app.faults import words_for
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
_BYTES_A_SAMPLE = 4  # float32
_ROOM_WAIT_S = 0.1
_STOP_WITHIN_S = 2.0
_READING_GRACE_S = 1.0
# What a source says that may be back soon, once it has been open.
_AWAY = (SourceLost, SourceTimeout, SourceUnavailable)


@dataclass(frozen=True, slots=True)
class Level:
    """How strong one channel was over the last half second of samples.

    Attributes
    ----------
    role : str
        What the channel carries.
    peak_v : float
        Largest magnitude, in volts; samples that are not a number are left out.
    of_full_scale : float or None
        The same as a part of the full scale, where that is known.
    clipped : bool
        It reached the full scale, or the device said that it clipped.
    """

    role: str
    peak_v: float
    of_full_scale: float | None
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
            reach = np.fmax(np.fmax.reduce(part), -np.fmin.reduce(part))
            largest = np.fmax(largest, np.fmax.reduce(reach.reshape(width, channels)))
    return largest


class LevelMeter:
    """Peaks of the last half second. Does not lock.

    Parameters
    ----------
    info : SourceInfo
        Of the open source: roles and full scale.
    """

    def __init__(self, info: SourceInfo) -> None:
        self._roles = info.roles
        self._full_scale_v = info.full_scale_v
        self._kept: deque[tuple[int, NDArray[np.float32], NDArray[np.bool_]]] = deque()

    def add(self, block: Block, peaks_v: NDArray[np.float32]) -> None:
        """Take in one block's peaks."""
        self._kept.append((block.end_index, peaks_v, self._clipped(block.clipped, peaks_v)))
        oldest = block.end_index - _LEVEL_SPAN_S * block.sample_rate_hz
        while self._kept[0][0] <= oldest and len(self._kept) > 1:
            self._kept.popleft()

    def levels(self) -> tuple[Level, ...]:
        """Return one level a channel; empty before the first block."""
        if not self._kept:
            return ()
        peak_v = np.max([peaks_v for _, peaks_v, _ in self._kept], axis=0)
        clipped = np.any([flags for _, _, flags in self._kept], axis=0)
        full_v = self._full_scale_v
        return tuple(
            Level(role, peak, peak / full_v if full_v else None, flag)
            for role, peak, flag in zip(self._roles, peak_v.tolist(), clipped.tolist(), strict=True)
        )

    def _clipped(self, said: bool, peaks_v: NDArray[np.float32]) -> NDArray[np.bool_]:
        """Tell which channels clipped; a device says only that one of them did."""
        everywhere = np.full(len(self._roles), said)
        if self._full_scale_v is None:
            return everywhere
        if not said:
            return peaks_v >= self._full_scale_v
        near = peaks_v >= _NEAR_FULL_SCALE * self._full_scale_v
        return near if near.any() else everywhere


class Phase(StrEnum):
    """Where a source is in its life."""

    CLOSED = "closed"
    """Not started yet, or stopped before the source came to an end."""
    OPENING = "opening"
    RUNNING = "running"
    LOST = "lost"
    """The source went away; it is opened again until it is back."""
    ENDED = "ended"
    """A finite source has been read to its end."""
    FAILED = "failed"
    """It could not be opened or read."""


@dataclass(frozen=True, slots=True)
class Timing:
    """How long the acquisition waits, and by which clock.

    Attributes
    ----------
    read_timeout_s : float
        Longest wait in one read; a stop takes about as long.
    retry_s : float
        Pause before a lost source is opened again. One that has stood for longer is tried at once,
        so that a source that comes and goes is not tried without a pause.
    clock : callable
        Monotonic time in seconds.
    sleep : callable or None
        Waits the seconds given; None waits for the stop, so that a stop ends the pause.
    """

    read_timeout_s: float = 0.2
    retry_s: float = 1.0
    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], object] | None = None


@dataclass(frozen=True, slots=True)
class Status:
    """The acquisition at one moment.

    Attributes
    ----------
    phase : Phase
        Where the source is in its life.
    message : str
        One sentence about a phase that is not as it should be, else empty.
    info : SourceInfo or None
        What is known of the source once it has been open.
    frames, lost_frames : int
        Frames put into the ring; frames that the source knows to have lost, and those that the
        reader of the ring was too slow for. What a source would have given while it was away is
        not counted.
    levels : tuple of Level
        One a channel, over the last half second of samples; empty before the first block.
    """

    phase: Phase
    message: str
    info: SourceInfo | None
    frames: int
    lost_frames: int
    levels: tuple[Level, ...]
    waiting_frames: int = 0
    """Frames that have been read and not yet been taken from the ring."""


class Acquisition:
    """Reads one source into a ring until the source ends or fails, or until a stop. Used once.

    Blocks come onto one axis of frame indices, however often the source is opened again.

    Parameters
    ----------
    source : Source
        Closed; it belongs to the acquisition from :meth:`start` on.
    ring_seconds : float
        History kept, by the source's nominal rate.
    ring_bytes : int
        Upper limit of the ring's memory, which goes before `ring_seconds`.
    backpressure : bool
        Wait until the reader has taken frames rather than drop them, unless the source is live: a
        capture is to be read whole. The reader must not wait for more frames than the ring keeps.
        Otherwise the newest frames win, and the reader is told what it lost.
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
        self._ring_seconds = ring_seconds
        self._ring_bytes = ring_bytes
        self._backpressure = backpressure
        self._timing = timing or Timing()
        self._thread = threading.Thread(target=self._run, name="acquisition", daemon=True)
        # Set by whoever stops:
        self._stop = threading.Event()
        # Used by the acquisition thread only:
        self._base_index = 0
        self._gap_pending = False
        self._opened_s = -math.inf
        # Set by the acquisition thread only:
        self._reading_done = threading.Event()
        # Written by the acquisition thread only, under the condition:
        self._changed = threading.Condition()
        self._phase = Phase.CLOSED
        self._message = ""
        self._error: Exception | None = None
        self._info: SourceInfo | None = None
        self._ring: Ring | None = None
        self._meter: LevelMeter | None = None
        self._frames = 0
        self._lost_frames = 0

    @property
    def ring(self) -> Ring | None:
        """The ring, once the source has been open."""
        with self._changed:
            return self._ring

    @property
    def error(self) -> Exception | None:
        """What made it fail: a SourceError, or the exception of a fault in the program."""
        with self._changed:
            return self._error

    def status(self) -> Status:
        """Return a snapshot."""
        with self._changed:
            missed = self._ring.missed_frames if self._ring else 0
            return Status(
                phase=self._phase,
                message=self._message,
                info=self._info,
                frames=self._frames,
                lost_frames=self._lost_frames + missed,
                levels=self._meter.levels() if self._meter else (),
                waiting_frames=self._ring.waiting_frames if self._ring else 0,
            )

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
            self._changed.wait_for(lambda: self._ring or self._reading_done.is_set(), timeout_s)
            return self._ring

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
            self._become(Phase.ENDED if self._acquire() else Phase.CLOSED)
        except SourceError as fault:
            # A source that is closed under its read may complain of that in any of these ways.
            if self._stop.is_set():
                self._become(Phase.CLOSED)
            else:
                self._become(Phase.FAILED, str(fault), fault)
        except Exception as fault:
            self._become(Phase.FAILED, _words_for(fault), fault)
        if self._ring is not None:
            self._ring.close()
        with self._changed:
            self._reading_done.set()
            self._changed.notify_all()
        try:
            self._source.close()
        except Exception as fault:
            # An earlier failure goes before that of the closing, which often follows from it.
            if self._phase is not Phase.FAILED:
                self._become(Phase.FAILED, _words_for(fault), fault)

    def _become(self, phase: Phase, message: str = "", error: Exception | None = None) -> None:
        with self._changed:
            self._phase, self._message, self._error = phase, message, error
            self._changed.notify_all()

    def _acquire(self) -> bool:
        """Read until the source has come to its end, or the stop; return whether it has."""
        if self._stop.is_set():
            return False
        self._become(Phase.OPENING)
        self._open()
        while not self._stop.is_set():
            try:
                if self._phase is Phase.LOST:
                    self._open()
                return self._read_on()
            except _AWAY as fault:
                self._become(Phase.LOST, str(fault))
                self._source.close()
                # A driver may say late that a source was gone: it may well be back already.
                stood_s = self._timing.clock() - self._opened_s
                if stood_s < self._timing.retry_s:
                    (self._timing.sleep or self._stop.wait)(self._timing.retry_s)
        return False

    def _open(self) -> None:
        self._opened_s = self._timing.clock()
        self._source.open()
        info = self._source.info
        with self._changed:
            if self._info is None or self._ring is None:
                self._ring = Ring(self._capacity(info), len(info.roles))
                self._meter = LevelMeter(info)
            elif _kind(info) != _kind(self._info):
                raise SourceError(
                    f"{info.name}: it came back with other channels or another sample rate "
                    f"({info.sample_rate_hz:g} Hz); open it anew"
                )
            else:
                self._base_index = self._ring.end_index
                self._gap_pending = True
            self._info = info
        self._become(Phase.RUNNING)

    def _capacity(self, info: SourceInfo) -> int:
        wanted = math.ceil(self._ring_seconds * info.sample_rate_hz)
        allowed = self._ring_bytes // (_BYTES_A_SAMPLE * len(info.roles))
        return max(1, min(wanted, allowed))

    def _read_on(self) -> bool:
        """Read an open source; return whether it has come to its end."""
        for block in self._source.blocks(self._timing.read_timeout_s, self._timing.clock):
            if block is not None:
                self._keep(block)
            if self._stop.is_set():
                return False
        return True

    def _keep(self, block: Block) -> None:
        """Put one block into the ring, waiting for room where the reader is waited for."""
        ring, meter, info = self._ring, self._meter, self._info
        if ring is None or meter is None or info is None:
            raise RuntimeError("a block came before the source was open")
        gap_before = block.gap_before or self._gap_pending
        self._gap_pending = gap_before and len(block.samples_v) == 0
        if len(block.samples_v) == 0:
            return
        if self._base_index or gap_before != block.gap_before:
            first_index = self._base_index + block.first_index
            block = replace(block, first_index=first_index, gap_before=gap_before)
        if self._backpressure and not info.live:
            while not ring.wait_for_room(_ROOM_WAIT_S):
                if self._stop.is_set():
                    return
        peaks_v = peaks(block.samples_v)
        lost_frames = block.first_index - ring.end_index
        ring.put(block)
        with self._changed:
            meter.add(block, peaks_v)
            self._lost_frames += lost_frames
            self._frames += len(block.samples_v)


def _kind(info: SourceInfo) -> tuple[object, ...]:
    return info.roles, info.sample_rate_hz


def _words_for(fault: Exception) -> str:
    return (
        f"the reading ended by a fault in the program ({words_for(fault)}); open the source again"
    )
